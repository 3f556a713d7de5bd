"""What a person reads or edits between runs."""

"""What is worth saying, in which words, and when."""

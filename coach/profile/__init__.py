"""Corner profiles and references on disk, and the survey that makes them."""

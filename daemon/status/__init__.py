"""What a person may ask of the running post."""

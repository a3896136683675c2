"""The rules, one file each."""

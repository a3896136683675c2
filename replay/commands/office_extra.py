"""What a command says where the libraries of the extra `office` are missing."""

INSTALL = "needs the office's libraries; install them with: pip install 'witnesspost[office]'"
"""Follows the command's name."""

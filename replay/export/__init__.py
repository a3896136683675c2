"""Getting data out of logs in the forms that other programs read. Nothing here is imported by the service."""

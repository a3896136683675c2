"""The crew's page, on their own phones: it reads the snapshot, and tells the rules facts."""

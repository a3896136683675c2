"""The service: ports, framing, decoding, the log, signals and the command line."""

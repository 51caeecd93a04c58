"""Serial port, clocks, signals, sealed files, service notification: the only blocking code besides the records."""

"""One module a verb of the command line. Only here, in `cli` and in the simulated board's process is anything printed."""

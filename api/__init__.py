"""The HTTP face: one module a noun. It translates; the controller decides."""

"""One module a step; its name is the revision's name."""

"""One module a change of desk.db; a released one is never edited."""

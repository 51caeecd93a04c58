"""The page in Chromium: against a stand-in server, and against the whole stack."""

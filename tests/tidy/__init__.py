"""How the house's own code is measured; `test_tidy.py` says what it must be."""

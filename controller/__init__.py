"""Everything that decides about heat, and the wires, files and records around it."""

"""Files that people write: YAML with the place of each key, quantities in fields, tables."""

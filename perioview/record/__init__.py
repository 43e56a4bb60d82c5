"""Writing an examination into the record."""

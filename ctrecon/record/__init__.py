"""The part record: what is measured, how it is stored, and what follows from the record alone."""

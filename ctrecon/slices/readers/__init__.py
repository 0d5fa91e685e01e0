"""Readers, one file a format: each turns a file into `Page` records and decodes them on demand."""

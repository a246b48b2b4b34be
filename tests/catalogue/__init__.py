"""The catalogue of what a client's folder, a disk and a person can do: 145 rows, one table."""

"""The results of a finished study as plain data, and their file. Reading them loads none of the computing layers."""

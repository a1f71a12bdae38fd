"""What a finished study holds, as plain data, and its file: no engine is loaded to read it."""

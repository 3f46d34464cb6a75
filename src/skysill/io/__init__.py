"""The only package that opens or writes files."""

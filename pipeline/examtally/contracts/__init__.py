"""What records, catalogue, protocol and results must look like, read from the declared files."""

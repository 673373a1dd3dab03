"""What the command line prints, in words and tables; no other part of the program needs rich."""

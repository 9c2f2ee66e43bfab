"""What a person reads: tables in a terminal."""

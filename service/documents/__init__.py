"""What is written to a file for people: HTML, PDF, labels."""

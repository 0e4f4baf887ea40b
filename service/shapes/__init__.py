"""What programs are given: the JSON of commands and of the API, each shape described once.

A shape may gain fields at any time; one that loses a field, or means another thing by it, gets the
next number. `combwright ... --json` writes name and number into every object it prints.
"""

"""A flock list in hand: what was seen, inferred and advised; no database."""

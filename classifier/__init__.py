"""Reads a photo of a head: where it is, which comb, how surely, and what makes that doubtful."""

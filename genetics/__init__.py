"""Genetics of the comb: crosses, what a genotype shows, and exact inference in a pedigree."""

"""Data sets, training and evaluation; nothing that reads photos at run time imports from here."""

"""Many at once: a club's pedigrees and photographs, in parts and on several cores or machines."""

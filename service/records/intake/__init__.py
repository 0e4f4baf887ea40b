"""Photos on their way in: folders, archives, uploads; nothing done twice, nothing lost."""

"""Words, made only where somebody reads them: sentences by code, languages, numbers for people."""

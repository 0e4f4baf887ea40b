"""The web page: take photos, see readings, correct them, look at candidates."""

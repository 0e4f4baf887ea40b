"""Records in and out: flock lists, spreadsheets."""

"""What a page or a sheet shows, gathered from records and answers."""

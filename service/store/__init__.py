"""What is kept: birds, photos, readings. SQLite by default, PostgreSQL by URL."""

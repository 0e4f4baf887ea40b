"""The records: database, tables, audit log, photos, intake, exchange, backup."""

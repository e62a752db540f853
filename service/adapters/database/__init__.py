"""SQLAlchemy Core over SQLite or PostgreSQL: readings, register, rejections, raw batches, hand values, devices, maps, migrations."""

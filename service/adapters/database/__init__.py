"""SQLAlchemy Core over SQLite or PostgreSQL: readings, register, rejections, migrations."""

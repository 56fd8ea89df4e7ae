"""The DuckDB file: open, lock, run sql/ in dependency order, read and write frames."""

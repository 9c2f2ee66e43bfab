"""The log: one SQLite file that keeps every frame's raw bytes, their decoded columns, every event, and
all that explains them. `schema` says what it looks like, `table` turns payloads into rows, `writer` fills
it from a run, `reader` opens it again."""

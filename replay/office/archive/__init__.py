"""Many posts and many days as Parquet files: gathered from logs, asked by SQL."""

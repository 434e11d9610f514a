"""The rates as result tables: frames in, frames out."""

"""One module per section of the report: each turns tables into sentences, charts and tables."""

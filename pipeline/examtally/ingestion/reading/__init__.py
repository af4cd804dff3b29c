"""Files as text: CSV, Parquet and workbooks, line by line."""

"""The month written down: tables, PDF, workbook, CSV and Parquet."""

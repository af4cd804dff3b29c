"""The workbook and the paper sheet for groups that have no export: laid out, written, and read back by a mapping."""

"""Record tables: declarations, DDL, row rules, pseudonyms, screening."""

"""What every stage uses: the records, errors, counts, files and the cache."""

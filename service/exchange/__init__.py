"""In and out: the archive that holds everything, tables for spreadsheets, records for museums, merging."""

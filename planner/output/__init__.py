"""The report for its readers: terminal, map page, sheets, and the files other programs take."""

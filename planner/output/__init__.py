"""Output of a report: terminal, map page, sheets, exchange files."""

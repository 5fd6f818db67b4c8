"""A plain scene of lines, markers and series, drawn as one self-contained HTML page. Knows no vehicle."""

"""Size limits of trip folders and logs; larger input is refused with the limit named. Table in docs/formats.md.

Limits of a drive are in `planner/route/`, of fetched data in `planner/weather/`.
"""

# bytes of a file
TOML_BYTES = 1_000_000  # ours have a few kB
TABLE_BYTES = 20_000_000  # a CSV; trip.xlsx, packed and unpacked; the last plan
GPX_BYTES = 50_000_000
PROFILES_BYTES = 80_000_000  # all profiles that a trip names
LOG_BYTES, LOG_TEXT = 250_000_000, 300_000_000  # on disk, and decompressed
# Data above this size must not exceed this compression ratio: typed sheets mostly
# less; logs 5 to 20 times, one of few channels that stand 40 times.
FREE_BYTES, SHEET_PACKING, LOG_PACKING = 2_000_000, 40, 60

# rows below the heading
PLACES, LEGS, PROFILE_ROWS, WEATHER_ROWS, LAP_ROWS = 20_000, 60_000, 100_000, 50_000, 5_000
READINGS = 500  # rows of readings.csv
LOG_ROWS = 2_000_000

# cells and texts
COLUMNS, TEXT = 200, 2_000  # cells in a row; characters in a cell, and in a text of a TOML file
KEY = 60  # characters of a place's key
TOML_DEPTH = 50  # nesting depth of tables and lists, including dots in a key
LISTED = 600  # entries of a list in a TOML file
LOG_COLUMNS, LOG_LINE, LOG_CELLS = 300, 20_000, 40_000_000  # in a row, characters in a line, cells in total
LOG_PARTS = 10_000  # packed one behind the other in a log
LOG_NAMES = 500  # different signals in a log in long format

# tracks and sheets
GPX_POINTS = 400_000
NAMED, NAME = 2_000, 120  # named points; characters of a name
PROFILE_POINTS = 2_000_000  # of the profiles of all legs, shared ones counted once per leg
XML_DEPTH, XML_NAMES, XML_RUN = 64, 2_000, 100_000  # nesting; names of elements and attributes; characters without "<"
SHEETS, PARTS, SPANNED = 12, 1_000, 100_000  # sheets; parts of the archive; cells under merges and links

# reporting of problems
SENTENCES, SENTENCE, PROBLEMS = 40, 1_500, 400  # shown, characters of each, collected
COMPARED, LONGEST_COMPARED = 500, 100  # names compared with a wrong one to find the nearest

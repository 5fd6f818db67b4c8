"""Who says how hot it will be, and when in the day.

A plan, which never touches the network, needs two things of this package: `sources.weather_for` reads all that is known
of a trip's weather (weather.csv, a table of normals, what was fetched earlier), and `along.air_along` makes of it the
air of a timed drive. Between them `sources` says whose word counts at a place on a day, and `expected` has the daily
curve, the highs and lows along the road, and how sure they are.

Fetching, by `grademargin weather`: `command` does all for a trip; `services` asks `nws` and `openmeteo` one after the
other through `transport`; `records` is what came, checked, and `store` keeps it. `elevations` asks how high places lie.
"""

"""Weather along a trip: sources, and temperature over the day.

A plan never uses the network. It needs two functions of this package: `sources.weather_for` reads all that is known
of a trip's weather (weather.csv, a table of normals, fetched forecasts), and `along.air_along` computes from it the
air of a timed drive. `sources` chooses the source for a place and a day, and `expected` has the daily
curve, the highs and lows along the road, and their uncertainty.

Fetching, by `grademargin weather`: `command` runs it for a trip; `services` queries `nws` and `openmeteo` one after the
other through `transport`; `records` checks the replies, and `store` saves them. `elevations` queries elevations.
"""

"""Who says how hot it will be, and when in the day.

Fetched by `grademargin weather`: `wire` and `web` ask; `nws`, `openmeteo`, `pastyears` and `heights` know one kind of
answer each and read it by `reply`; `services` asks one after the other; `record` is what came, `keep` holds it;
`command` does all that for a trip.

Read by a plan, without a network: `gather` takes what is entered (weather.csv, `normals`) or kept; `outlook` says whose
word counts at a place on a day; `along` makes of it the air of a timed drive, upon the daily curve (`expected`,
`diurnal`) and as sure as `spread` says; `told` puts the sources into sentences.
"""

"""A scene whose every text is one of many names, and a hundred names that would run, load or break something."""

from collections.abc import Sequence
from pathlib import Path

from maps.scene import (
    Advice,
    Ahead,
    Day,
    Grade,
    Marker,
    Milestone,
    Road,
    Scene,
    Series,
    Spot,
    Stretch,
    Table,
    Town,
    Track,
    Way,
)

NAMES = tuple((Path(__file__).parents[1] / "browser" / "hostile.txt").read_text(encoding="utf-8").splitlines())


def scene_of_names(names: Sequence[str]) -> Scene:
    """One point, marker, milestone, leg and row a name, fifty names at least."""
    points, names = range(len(names)), tuple(names)
    where = [{"lat": 36.0 + 0.06 * i, "lon": -100.0 - 0.15 * i} for i in points]
    table = Table(title=names[0], headings=(names[1],), rows=tuple((name,) for name in names), note=names[2])
    stones = tuple(Milestone(point=i, title=names[i], text=names[-1 - i]) for i in points)
    return Scene(
        title=names[5],
        lead=names[6],
        distance_unit=names[7],
        elevation_unit=names[8],
        facts=names[:3],
        spots=tuple(Spot(text=names[i], marker=i) for i in range(3)),
        cautions=names[:5],
        track=Track(
            lat=tuple(one["lat"] for one in where),
            lon=tuple(one["lon"] for one in where),
            distance=tuple(10.0 * i for i in points),
            elevation=tuple(3000.0 + 40.0 * (i % 30) for i in points),
            clock=names,
            group=tuple(points),
            day=tuple(i * 5 // len(names) for i in points),
            minutes=tuple(12.0 * i for i in points),
            series=(Series(label=names[3], values=tuple(190.0 + i % 9 for i in points), unit=names[4]),),
            group_labels=names,
        ),
        stretches=tuple(
            Stretch(start=i, end=i + 1, level=level, title=names[i], popup=names[-1 - i])
            for i, level in zip(points[:-1], ("ample", "thin", "exceeded", "unknown") * len(names), strict=False)
        ),
        markers=tuple(
            Marker(**at, label=names[i], text=names[-1 - i], detail=names[i], kind="hot" if i < 3 else "night")
            for i, at in enumerate(where)
        ),
        days=tuple(
            Day(
                title=names[9 * i],
                short=names[9 * i + 2],
                summary=f"{names[9 * i + 1]}\n{names[9 * i + 3]}",
                tables=(table,),
                advice=tuple(Advice(text=name) for name in names[:9]),
                headings=names[:6],
                way=tuple(Way(point=len(names) // 5 * i + k, cells=names[k : k + 6]) for k in range(3)),
                way_note=names[9 * i + 4],
                closest=(0,),
            )
            for i in range(5)
        ),
        card=(table,),
        tables=(table,),
        grades=tuple(Grade(start=i, end=i + 3, title=names[i], text=names[i + 1], level="thin") for i in points[:-9:9]),
        roads=tuple(Road(name=names[i], lat=(36.0 + 0.06 * i, 37.0), lon=(-100.0 - 0.15 * i, -99.0)) for i in range(9)),
        towns=tuple(Town(name=names[i], lat=36.2 + 0.06 * i, lon=-100.0 - 0.15 * i, weight=1.0) for i in range(9)),
        key=names[25],
        appendix=(table,),
        places=stones,
        ahead=(Ahead(heading=names[9], behind=names[10], milestones=stones),),
        rules=names[11:15],
        band_words=names[16],
        level_words=(names[17], names[18], names[19], names[26]),
        attributions=names[20:23],
        generated=names[24],
    )

"""Remedies put into files, and logs taken: what the files then say is what was tried."""

import gzip
from dataclasses import replace

import pytest

import planner
from planner.analysis.remedies import Remedy
from planner.analysis.rerun import Change
from planner.desk.applied import apply, can_apply
from planner.desk.folder import TripFolder
from planner.forecast.assemble import find_route, read_inputs

LEG = {"legs": (1,)}


def remedy(*changes: Change, nights: tuple[str, ...] = ()) -> Remedy:
    return Remedy(
        words="as tried",
        kind="",
        minutes=0.0,
        gain_k=5.0,
        margin_k=5.0,
        probability=0.0,
        works=True,
        error_k=0.1,
        probability_error=0.0,
        undecided=False,
        note="",
        changes=changes,
        trial=None,
        nights=nights,
    )


@pytest.fixture
def applied(copy_example, tmp_path):
    """`applied(remedy, day)`: the trip's inputs and route before and after it was put into the files."""

    class Outlook:
        """What `apply` needs of a forecast, none made."""

        def __init__(self, inputs):
            self.route, self.car = find_route(inputs), inputs.car
            self.trip, self.legs, self.timeline = self.route.trip, self.route.legs, self.route.timeline

    def make(one: Remedy, day: int = 0):
        folder = TripFolder(path=copy_example("alps", tmp_path / "trip"))
        folder.load()
        before = Outlook(folder.inputs())
        files, _ = apply(folder, before, day, one)
        folder.inputs(files)
        folder.save(files, "remedy")
        folder.close()
        return before, Outlook(read_inputs(folder.path))

    return make


@pytest.mark.parametrize(
    ("change", "field", "value"),
    [
        (Change(kind="", words="", speed=0.8, **LEG), "speed_m_per_s", 0.8 * 42 / 3.6),
        (Change(kind="", words="", ac_off=True, **LEG), "air_conditioning", False),
        (Change(kind="", words="", heater=True, ac_off=True, **LEG), "heater", True),
        (Change(kind="", words="", low_gear=True, **LEG), "low_gear", True),
        (Change(kind="", words="", highest_gear=-1, **LEG), "highest_gear", -1),
        (Change(kind="", words="", highest_gear=2, **LEG), "highest_gear", 2),
    ],
)
def test_what_is_done_on_a_leg_is_written_there(applied, change, field, value):
    before, after = applied(remedy(change))
    assert getattr(after.legs[1], field) == pytest.approx(value, abs=0.02)
    assert [one for n, one in enumerate(after.legs) if n != 1] == [one for n, one in enumerate(before.legs) if n != 1]


@pytest.mark.parametrize("day", [0, 1])
def test_another_hour(applied, day):
    before, after = applied(remedy(Change(kind="hour", words="", shift_s=-3600.0)), day)
    shifted = [b.start_s - a.start_s for a, b in zip(before.timeline.days, after.timeline.days, strict=True)]
    assert shifted[day] == -3600.0


def test_a_stop_is_added_to_the_one_that_is_there(applied):
    _, after = applied(remedy(Change(kind="stop", words="", stop_after=1, stop_s=1200.0)))
    assert [(one.place, one.duration_s, one.engine_on) for one in after.trip.halts] == [("furkapass", 1200.0, False)]


def test_less_load_another_oil_another_night(applied):
    before, after = applied(remedy(Change(kind="load", words="", lighter_kg=100.0)))
    assert after.car.vehicle.body.mass_kg == pytest.approx(before.car.vehicle.body.mass_kg - 100.0, abs=0.6)


def test_another_oil(applied):
    _, after = applied(remedy(Change(kind="oil", words="", synthetic="differential")))
    assert after.car.vehicle.differential_oil.sort == "synthetic"


def test_another_night(applied):
    _, after = applied(remedy(nights=("chur",)))
    assert after.trip.nights == ("chur",)
    assert after.legs[after.timeline.days[0].last].finish == "chur"


def test_what_only_the_driver_can_do_has_no_button():
    idling = Change(kind="idle", words="", stop_after=0, stop_s=60.0, idle_first=True)
    assert not can_apply(remedy(idling))
    assert not can_apply(remedy(replace(idling, idle_first=False), idling))
    assert not can_apply(remedy())  # another road


LOG = "time,coolant temp,speed\n" + "".join(f"{n},{190 + n % 7},{50 + n % 5}\n" for n in range(400))


def test_a_log_is_read_only_once_its_owner_has_settled_it(minimal_desk):
    taken = minimal_desk.client.post("/api/log", params={"name": "../day 1.csv"}, content=LOG.encode())
    assert taken.status_code == 200, taken.text
    told = taken.json()
    assert told["preview"][0] == "time,coolant temp,speed"
    assert {one["channel"] for one in told["unsure"]} >= {"coolant"}
    assert (minimal_desk.folder / "logs" / "day 1.csv").read_text() == LOG
    again = minimal_desk.client.post("/api/log", params={"name": "day 1.csv"}, content=b"x,y\n1,2\n")
    assert "nothing is overwritten" in again.json()["problems"][0]
    assert minimal_desk.post("log-confirm", name="day 1.csv").status_code == 400
    assert minimal_desk.post("log-confirm", name="../trip.toml").status_code == 400
    units = {one["channel"]: one["unit"] or "mph" for one in told["unsure"] if one["channel"]} | {"coolant": "degF"}
    done = minimal_desk.post("log-confirm", name="day 1.csv", units=units, time=True)
    assert done.status_code == 200, done.text
    assert done.json()["confirmed"] is True
    assert minimal_desk.post("fit").status_code == 400  # a log of no place on the road teaches nothing, and it says so


def test_what_is_no_log_is_refused_and_removed(minimal_desk):
    for name, data in (("a.csv", b"\xff\xfe\x00"), ("a.exe", b"MZ"), ("bomb.gz", gzip.compress(b"0" * 30_000_000))):
        answer = minimal_desk.client.post("/api/log", params={"name": name}, content=data)
        assert answer.status_code == 400, name
    logs = minimal_desk.folder / "logs"
    assert not logs.exists() or list(logs.iterdir()) == []


def test_the_owners_words_come_back_as_text(minimal_desk):
    """A name of a place that is markup stays a name: in the answer, and in what is written."""
    evil = "<img src=x onerror=alert(1)>"
    assert minimal_desk.edit("setting", key="name", value=evil).status_code == 200
    assert minimal_desk.view()["title"] == evil
    assert planner.read(minimal_desk.folder).trip.name == evil

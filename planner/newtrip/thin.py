"""Simplifying a track to the points needed for its line and elevations."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from planner.files.tracks import GpxTrack, remeasured
from planner.model import geo
from planner.newtrip.cuts import bends_of

_ASIDE_M, _HEIGHT_M, _LONGEST_M = 3.0, 1.0, 800.0  # tolerances; the longest step


def thinned(track: GpxTrack) -> GpxTrack:
    """Return the track with fewer points and distances measured along them, without position noise.

    A stretch of unknown elevation keeps a point inside, so that a file of the points can mark it.
    """
    along = np.array(track.distance_m)
    lon = np.unwrap(np.array(track.lon_deg), period=360.0)
    at = np.unique(np.concatenate([along[_kept(track, along, lon)], *_inside(track, along)]))
    lat, east = np.interp(at, along, track.lat_deg), (np.interp(at, along, lon) + 180.0) % 360.0 - 180.0
    step = geo.distances_m(lat1_deg=lat[:-1], lon1_deg=east[:-1], lat2_deg=lat[1:], lon2_deg=east[1:])
    for begin, end in track.cut:  # lengthened on purpose
        cut = (at[:-1] >= begin - 0.01) & (at[1:] <= end + 0.01)
        step[cut] = np.diff(at)[cut]
    moved = np.concatenate([[0.0], np.cumsum(np.maximum(step, 0.01))])
    height = np.interp(at, along, track.elevation_m)
    for begin, end in track.unknown:
        height[(at > begin + 0.01) & (at < end - 0.01)] = np.nan
    return replace(
        track.with_spans(lambda spans: remeasured(spans, at, moved)),
        distance_m=tuple(moved.tolist()),
        elevation_m=tuple(height.tolist()),
        lat_deg=tuple(lat.tolist()),
        lon_deg=tuple(east.tolist()),
    )


def _inside(track: GpxTrack, along: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """Ends and middles of the stretches without heights."""
    return [np.clip([begin, 0.5 * (begin + end), end], 0.0, along[-1]) for begin, end in track.unknown]


def _kept(track: GpxTrack, along: NDArray[np.float64], lon: NDArray[np.float64]) -> NDArray[np.intp]:
    """Indices of the points that a thinned track keeps."""
    lat = np.array(track.lat_deg)
    north, east = lat * 111_195.0, lon * 111_195.0 * np.cos(np.radians(lat))
    height = np.array(track.elevation_m)
    known = np.isfinite(height)
    filled = np.interp(along, along[known], height[known]) if known.any() else np.zeros_like(along)
    order = np.array(bends_of(along, np.stack([north, east, filled * (_ASIDE_M / _HEIGHT_M)]), _ASIDE_M))
    far = np.flatnonzero(np.diff(along[order]) > _LONGEST_M)
    extra = [np.searchsorted(along, np.arange(along[order[n]], along[order[n + 1]], _LONGEST_M)) for n in far]
    return np.asarray(np.unique(np.concatenate([order, *extra])), dtype=np.intp)

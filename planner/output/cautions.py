"""Cautions printed with every plan."""

CAUTIONS = (
    "A forecast is not permission. The gauge outranks the model: when a gauge passes its mark, stop as soon as it is "
    "safe, whatever this plan says.",
    "Never open a hot, pressurised cooling system; steam burns. Wait until the radiator is cool enough to touch.",
    "Stop only where stopping is allowed and safe: rest areas, pull-outs, car parks. Not on a live shoulder.",
    "Choose the low gear before a descent. Snub the brakes, do not ride them; if they smell, smoke or fade, stop and "
    "let them cool. If the brakes fail, use an escape ramp.",
    "Heat in a parked car makes people ill within minutes. Never leave children or animals in a parked car; carry "
    "water.",
    "Antifreeze is poisonous to people and animals. Catch what you spill.",
    "The car maker's and the fluid makers' figures, local law and a licensed mechanic take precedence over anything "
    "here.",
    "The model has not been validated on this car. Until it is fitted to a log, expect errors of about 8 K on coolant, "
    "12 K on engine oil and 15 K on transmission and differential (common practice, no source).",
)

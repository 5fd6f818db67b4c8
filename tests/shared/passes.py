"""Real pairs of towns with a pass between, and real roads over level ground."""

# Two towns and the pass between, published heights as in test_example_places.py; positions and heights of towns from
# the GeoNames extract, road lengths rounded from the example trips. [deg, deg, m], [deg, deg, m], [m], [m]
PASSES = {
    "Wolf Creek Pass": ((37.672, -106.639, 2502.0), (37.445, -106.877, 2484.0), 45e3, 3307.0),
    "Raton Pass": ((36.903, -104.439, 2036.0), (37.169, -104.501, 1836.0), 35e3, 2388.0),
    "Red Mountain Pass": ((37.812, -107.665, 2837.0), (38.023, -107.671, 2375.0), 37e3, 3358.0),
    "Teton Pass": ((43.500, -110.876, 1875.0), (43.603, -111.111, 1894.0), 29e3, 2570.0),
    "Newfound Gap": ((35.513, -83.307, 622.0), (35.685, -83.537, 445.0), 47e3, 1539.0),
    "Soldier Summit": ((39.684, -110.855, 1773.0), (39.991, -111.496, 1548.0), 85e3, 2279.0),
    "La Veta Pass": ((37.618, -104.939, 2103.0), (37.426, -105.434, 2419.0), 60e3, 2869.0),
    "Furka": ((46.504, 8.303, 1346.0), (46.636, 8.594, 1441.0), 43e3, 2427.0),
    "Gotthard": ((46.528, 8.610, 1141.0), (46.636, 8.594, 1441.0), 26e3, 2106.0),
    "Oberalp": ((46.636, 8.594, 1441.0), (46.704, 8.853, 1130.0), 32e3, 2044.0),
    "Fluela": ((46.797, 9.834, 1560.0), (46.700, 10.094, 1473.0), 32e3, 2383.0),
    "Ofen": ((46.700, 10.094, 1473.0), (46.602, 10.425, 1375.0), 35e3, 2149.0),
}
# Plains and broad valleys: places of the GeoNames extract, their heights, road length.
LEVEL = {
    "Lamar to Holly, Colorado": ((38.087, -102.621, 1105.0), (38.052, -102.123, 1034.0), 45e3),
    "Garden City to Dodge City, Kansas": ((37.972, -100.873, 864.0), (37.753, -100.017, 761.0), 86e3),
    "Grand Island to Kearney, Nebraska": ((40.925, -98.342, 568.0), (40.700, -99.082, 656.0), 68e3),
    "Amarillo to Shamrock, Texas": ((35.222, -101.831, 1099.0), (35.214, -100.249, 715.0), 151e3),
    "Memphis to Little Rock": ((35.150, -90.049, 84.0), (34.746, -92.290, 101.0), 220e3),
    "Chartres to Orleans": ((48.447, 1.489, 142.0), (47.903, 1.909, 116.0), 75e3),
}

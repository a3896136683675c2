"""Two marks of the Kestrel quarry, as a site file's `[project]` has them."""

KQ_1 = """[[project.control]]
name = "KQ-1"
latitude = 39.1234567
longitude = -104.9876543
height = 1874.322
"""
KQ_2 = """[[project.control]]
name = "KQ-2"
latitude = 39.1254567
longitude = -104.9856543
height = 1878.1
"""
MARKS = KQ_1 + KQ_2

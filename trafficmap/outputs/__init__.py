"""A finished run as files a person, a map program and a display can open.

In comes the `Result` of the line; out go the run folder (layers, GeoPackage, offline
map, display files, a readme, and run.json last), exports, and the story of one spot.
"""

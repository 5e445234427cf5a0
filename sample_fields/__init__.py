"""Invented fields with known truth, and the scripts that write them.

`make.write_sample` writes one input folder as a farm would hand it in (logs with real
dirt, boundary, soil, weather, machines, what was dug) and a ``truth.json`` that was
worked out here, without any step of the line it tests. Nothing in these fields exists:
no place, no machine, no person.
"""

"""Codecs: bytes in, tables out, and back; no agronomy.

In come files a person has; out go `RawLog` tables under our names with a record of
what was found and assumed, and, on the way out, whole files written at once or not.
"""

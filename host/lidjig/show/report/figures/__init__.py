"""Figures of the report: each takes plain data and texts already translated, and gives an inline SVG.

Imports nothing, so that what a figure says can be had without what draws it.
"""

"""Figures of the report: each takes plain data and texts already translated, and gives an inline SVG."""

from lidjig.show.report.figures.causes import CauseBar, causes_svg
from lidjig.show.report.figures.compare import CompareRow, compare_svg
from lidjig.show.report.figures.connector import ConnectorData, connector_from, connector_svg
from lidjig.show.report.figures.data import TimelineData, timeline_from
from lidjig.show.report.figures.latency import histogram_svg, run_chart_svg
from lidjig.show.report.figures.palette import css
from lidjig.show.report.figures.timeline import timeline_svg
from lidjig.show.report.figures.trials import Series, TrialRow, series_of, trials_from

__all__ = [
    "CauseBar", "CompareRow", "ConnectorData", "Series", "TimelineData", "TrialRow",
    "causes_svg", "compare_svg", "connector_from", "connector_svg", "css", "histogram_svg", "run_chart_svg",
    "series_of", "timeline_from", "timeline_svg", "trials_from",
]  # fmt: skip

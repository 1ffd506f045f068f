"""One self-contained page for people: build-up, flow of cost, margins, verdicts, findings."""

from costing.report.page import report_html

__all__ = ["report_html"]

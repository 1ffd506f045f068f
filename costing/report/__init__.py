"""One self-contained page for people, drawn from the same answers as terminal and workbook."""

from costing.report.page import page_of, report_page

__all__ = ["page_of", "report_page"]

"""The live link: a workbook that is open in Excel or LibreOffice, refreshed in place."""

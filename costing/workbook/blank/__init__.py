"""The blank workbook: input sheets made from the schema, with notes, drop-downs and instructions."""

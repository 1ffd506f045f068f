"""One shape for answers: result columns, tables, sheets and charts as data, and the renderers that read them."""

"""From a .qmd and a results folder to a page: cells, tables, figures, renderers."""

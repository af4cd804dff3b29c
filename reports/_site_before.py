"""Before the site is rendered: a page for each condition and month."""

from examtally.reporting.index.site import lay_pages

lay_pages()

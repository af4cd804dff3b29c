"""After the site is rendered: what was laid out for it is taken away."""

from examtally.reporting.index.site import take_away

take_away()

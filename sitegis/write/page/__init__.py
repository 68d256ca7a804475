"""``map.html``: the page with map, section and answer."""

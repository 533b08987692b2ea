"""The web page: bring in a recording, see why the base arcs, try the change."""

"""Pure functions that give pieces of the page."""

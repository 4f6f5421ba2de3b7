"""3-D: one list of items built from the closures; rendered, filmed, picked, sent to the page."""

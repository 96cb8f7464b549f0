"""HTTP: routes and the layers around every call."""

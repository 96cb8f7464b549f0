"""The layers around every call."""

"""The documents and the README held to the code that they speak of."""

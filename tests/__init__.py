"""The tests of Nuque, in the shape of the two packages that they test."""

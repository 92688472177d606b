"""Small faults put into the code on purpose, and whether the tests notice them."""

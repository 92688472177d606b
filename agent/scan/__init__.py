"""A flat piece read from a flatbed scan: edges, a steel rule beside it, and what both tell.  Pure.

image -> what lies on the glass -> the rules' graduations -> a map from the image to millimetres
-> the piece's edges -> its features, each with its uncertainty.
"""

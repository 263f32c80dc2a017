"""The way a photo goes, and nothing else: no database, no HTTP, no drawing.

photo -> detect -> flatten -> describe -> search -> align -> ladder -> identify
"""

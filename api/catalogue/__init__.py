"""Looking through the catalogue.

records   listed, shown with their references, found by a name; images of references
subjects  subjects with their poses, small pictures, crop maps
scarcity  series, how many copies of each record were seen, gaps
shapes    of all these
"""

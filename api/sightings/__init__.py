"""Cards that were seen and are no references.

routes  listed, shown, noted
shapes  of sightings
"""

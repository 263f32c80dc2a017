"""Photos sent together, worked on while nobody waits, then reviewed by a person.

routes  sent, looked at, saved, ended
review  what waits for a person, and the decisions on it
scans   folders of scans on the service's own machine, taken as lots
shapes  of lots and of decisions on them
"""

"""What came from outside: cards that may be new, proposed and decided; cards that were only seen.

In the order in which a card meets them:
    proposals   an answer -> open finds, by the machine
    proposed_fields  what a find's form begins with, each field with where it comes from
    resolution  a person's decisions on them
    outlining   a find's card outlined anew by a person
    sightings   cards seen, and which physical card they show
    evidence    what is stored of an answer with them, made and read
"""

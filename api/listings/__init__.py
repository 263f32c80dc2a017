"""Sale listings: does the picture show what the text says?

routes  a listing's text and pictures -> what the pictures say of each claim
shapes  of claims and verdicts
"""

"""Sale listings: does the picture show what the text says?"""

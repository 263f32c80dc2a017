"""A photo in, what it shows out.

routes             a photo -> every card on it with its record
comparisons        a photo, a find or a lot's card -> its answer, and registered pictures to compare by eye
shapes             the contract: what is found in a photo
comparison_shapes  the contract: where the pictures lie that show why
"""

"""Stage `align`: two faces in, where each spot of the one lies on the other out.

The room:
    alignment     the stage: starts from features, the best refined and checked
    settings      its numbers, and where each comes from
    view          one side, with what is computed of it once; where on a face the picture is
    print_area    where on a card is the photograph itself, and where its mount
    registration  one picture registered on another to a fraction of a pixel
"""

"""The catalogue's ways in and out, and whether it is whole.

Tables and files, then the catalogue as a whole:
    mapping  what would become of somebody else's table
    package  the catalogue as files (Data Package, Dublin Core)
    bag      a package with all images (BagIt), written and imported
    bare     the records with their pictures, without place and device
    zipped   many files as one zip, packed while it is read; unpacked once it is found harmless
    log_io   the log exported and replayed
    backup   a copy of the catalogue while it is in use
    check    is all well?
"""

"""Looking through the catalogue: records, references, subjects, crops, series, scarcity."""

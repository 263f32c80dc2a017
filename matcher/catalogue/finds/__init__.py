"""What came to the catalogue from outside: finds proposed and decided, cards noted as seen."""

"""What a reviewer of the schematic would say: rules by subject, findings out."""

"""What every stage speaks: records and events, the state of a link, figures, GATT tables, units, errors."""

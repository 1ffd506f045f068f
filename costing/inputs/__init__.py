"""What the estate says: schema, settings, bases, validated tables and the rules on them."""

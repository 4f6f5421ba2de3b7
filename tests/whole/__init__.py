"""What no room holds alone: the rule of the rooms, kept results, documents, packaging, faults."""

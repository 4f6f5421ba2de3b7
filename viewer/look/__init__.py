"""Look."""

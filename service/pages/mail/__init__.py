"""Pages on mail: who gets it, and for each recipient a page that ends it without a login."""

"""Flask blueprints and marshmallow schemas; thin."""

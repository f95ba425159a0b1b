"""The one table of fields: of a tank, its plans, its log, and absences.

Each field states its name, unit, limits, words for people, default and where it is stored, once.
The registry's checks, the API's schemas and OpenAPI, the forms of the pages, the options of
``littoral log`` and docs/registry.md are made of it.
"""

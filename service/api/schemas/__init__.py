"""Marshmallow fields and schemas that several resources share."""

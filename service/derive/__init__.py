"""Derived values: a tank's log and series in; CO2, light, temperature and gas exchange out.

``loader.load`` reads registry and store into ``Inputs``. All else are pure functions of them:
``tank_view``, ``co2``, ``light``, ``temperature``, ``gas_exchange`` and ``prediction``.
``caching`` serves the scheduler, which asks for the same tanks again and again.
"""

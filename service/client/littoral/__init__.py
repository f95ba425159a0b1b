"""The client of Littoral's API under the name of the product, for scripts.

Installed as the package ``littoral``::

    from littoral import Client

    for one in Client().recommendations():
        print(one.severity, one.tank, one.title)
"""

from service.client import *  # noqa: F403 - all that is public there
from service.client import __all__ as __all__

"""The steps by which a database comes to the schema this program works with, oldest first in `versions`."""

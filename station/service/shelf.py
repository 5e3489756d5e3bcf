"""The specifications a station works with, newest revision of each product first."""

from collections.abc import Iterable

from station.specification import Specification


class SpecificationShelf:
    """Read-only after the start. A product's specification is the revision that sorts last (A, B, ... ; 1, 2, ... 10)."""

    def __init__(self, specifications: Iterable[Specification]) -> None:
        self._by_product: dict[str, Specification] = {}
        for one in specifications:
            known = self._by_product.get(one.name)
            if known is None or _order(one.revision) > _order(known.revision):
                self._by_product[one.name] = one

    def of(self, product: str) -> Specification | None:
        """The specification for a product, None when there is none."""
        return self._by_product.get(product)

    def products(self) -> tuple[str, ...]:
        return tuple(sorted(self._by_product))


def _order(revision: str) -> tuple[int, str]:
    return len(revision), revision

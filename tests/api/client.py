"""The framework's test client. It says at import that it would rather have another HTTP library than the one this product is built on."""

import warnings

with warnings.catch_warnings():
    warnings.simplefilter("ignore", DeprecationWarning)
    warnings.filterwarnings("ignore", message=".*httpx.*")
    from starlette.testclient import TestClient

__all__ = ["TestClient"]

from tests.flows.object_stores import address, server

__all__ = ["address", "server"]

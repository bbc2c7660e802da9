"""A laboratory of real servers in network namespaces: what the lab tests are built from."""

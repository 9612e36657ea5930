"""All tests, mirroring the packages."""

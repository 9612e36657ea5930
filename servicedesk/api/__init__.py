"""The REST API: thin views over the services, one versioned path."""

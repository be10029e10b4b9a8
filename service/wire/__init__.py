"""Request and response structs of API v1: the only place that knows the JSON shapes."""

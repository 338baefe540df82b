"""Raw files: read, inspect, group into views, pick."""

"""One function for each thing the tool does: the Python API, which `gateway` re-exports. Only here are stages
joined."""

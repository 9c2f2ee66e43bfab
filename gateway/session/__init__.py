"""The life of the nodes of a run: `seek` scans for all that are away, `node` links one, sets it up and
listens until it is lost, `supervisor` runs them side by side. Everything that happens goes to a `Sink`."""

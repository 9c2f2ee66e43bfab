"""Long or violent trials of the whole product, outside the test run; each prints its figures."""

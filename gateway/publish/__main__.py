"""The process that sends a log beside a run; started by `beside`, not by hand."""

from gateway.publish.beside import main

main()

"""The process that sends a log beside a run; started by `beside`, not by hand."""

from gateway.mqtt.publish.process import main

main()

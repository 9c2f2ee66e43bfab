"""In the guest: when each node of the newest run of a log was ready, seconds of the machine's monotonic time ago."""

import json
import sqlite3
import sys
import time

db = sqlite3.connect(sys.argv[1])
(run,) = db.execute("SELECT max(id) FROM run").fetchone()
rows = db.execute(
    "SELECT node.name, t_ns FROM event JOIN node ON node.id = event.node WHERE event.kind = 'ready' AND event.run = ? ORDER BY t_ns",
    (run,),
)
now = time.time_ns()
print(json.dumps([(name, (now - t_ns) / 1e9) for name, t_ns in rows]))

"""The settings test that a firmware engineer would write by hand, derived from a plugin: `plan` says what to try,
`hands` link the node and write, `acts` try one step, and `drive` goes through them all."""

from gateway.verify.exercise.drive import Drive, Tried, outcome_of
from gateway.verify.exercise.plan import Kind, Step, duration_text, plan_for

__all__ = ["Drive", "Kind", "Step", "Tried", "duration_text", "outcome_of", "plan_for"]

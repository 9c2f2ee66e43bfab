"""The settings test that a firmware engineer would write by hand, derived from a plugin: `plan` says what to try,
`client` connects to the node and writes, `steps` try one step, and `drive` goes through them all."""

from gateway.verify.exercise.drive import Drive, Tried
from gateway.verify.exercise.plan import Step, StepKind, plan_for

__all__ = ["Drive", "Step", "StepKind", "Tried", "plan_for"]

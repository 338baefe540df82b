"""What to mind before narration is recorded and before a film is shown: usual cautions, which defer to staff and law.

Common practice, no source: permits, rights and privacy differ from building to building and from country to country.
"""

from __future__ import annotations

RECORDING = "Record where you disturb nobody; in a church, ask the staff first, and never during prayer or a service."
PUBLISHING = (
    "Before you publish: leave to photograph is not always leave to film or publish, so check your permit or ask the"
    " staff. Show no child and nobody at prayer who can be recognised without consent; the law on privacy differs"
    " between countries."
)
MUSIC = "Music: check that you may use both the work and the recording."

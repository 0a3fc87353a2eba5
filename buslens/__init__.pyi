# The public names, once: type checkers read them here, and ``__init__.py`` finds with them what it gives.

from buslens.capture.read import read_frames as read_frames
from buslens.causes.compare import compare as compare
from buslens.causes.diagnosis import diagnose as diagnose
from buslens.causes.load import load_causes as load_causes
from buslens.checks.check import check as check
from buslens.checks.findings import Evidence as Evidence
from buslens.checks.findings import Finding as Finding
from buslens.checks.findings import Handshake as Handshake
from buslens.checks.findings import Limit as Limit
from buslens.checks.findings import Outcome as Outcome
from buslens.checks.findings import Result as Result
from buslens.checks.findings import TimeBounds as TimeBounds
from buslens.checks.findings import Verdict as Verdict
from buslens.definitions.decode import decode as decode
from buslens.definitions.load import load_definitions as load_definitions
from buslens.definitions.model import Definitions as Definitions
from buslens.dialogue.read import Dialogue as Dialogue
from buslens.dialogue.read import read_dialogue as read_dialogue
from buslens.errors import BuslensError as BuslensError
from buslens.errors import CaptureError as CaptureError
from buslens.errors import DefinitionError as DefinitionError
from buslens.errors import ExpectationError as ExpectationError
from buslens.errors import UsageError as UsageError
from buslens.expectations.load import load_expectations as load_expectations
from buslens.expectations.model import Expectations as Expectations
from buslens.fleet.ledger import open_ledger as open_ledger
from buslens.fleet.run_fleet import FleetListener as FleetListener
from buslens.fleet.run_fleet import FleetRun as FleetRun
from buslens.fleet.run_fleet import run_fleet as run_fleet
from buslens.rehearsal.rehearse import Rehearsal as Rehearsal
from buslens.rehearsal.rehearse import rehearse as rehearse
from buslens.rehearsal.rehearse import write_rehearsal as write_rehearsal
from buslens.report.figure import draw as draw
from buslens.report.page.page import write_page as write_page
from buslens.timeline.model import Timeline as Timeline

__version__: str

"""Numbers and names of ISO 14229-1 (2020): services, subfunctions, negative response codes; from memory.

The tests hold them to the names that scapy's dissector has. Services 01 to 0A are those of emission diagnostics
(ISO 15031-5, SAE J1979), which share transport and addresses.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Mapping

NEGATIVE: Final = 0x7F
"""First byte of a negative response; the requested service and a code follow."""
PENDING: Final = 0x78
"""Negative response code: the answer comes later."""
POSITIVE: Final = 0x40
"""What is added to the number of a service in its positive response."""
SUPPRESS: Final = 0x80
"""Bit of a subfunction: no positive response is wanted."""


class Service(NamedTuple):
    """One service."""

    name: str
    #: Whether a subfunction follows the number.
    has_subfunction: bool = False
    #: Bytes after the number that the positive response repeats.
    echo: int = 0


_SESSIONS: Final = {
    1: "defaultSession",
    2: "programmingSession",
    3: "extendedDiagnosticSession",
    4: "safetySystemDiagnosticSession",
}

SERVICES: Final[Mapping[int, Service]] = MappingProxyType(
    {
        0x01: Service("current data", echo=1),
        0x02: Service("freeze frame data", echo=2),
        0x03: Service("fault codes"),
        0x04: Service("clear fault codes"),
        0x05: Service("oxygen sensor results", echo=1),
        0x06: Service("on-board monitoring results", echo=1),
        0x07: Service("pending fault codes"),
        0x08: Service("control of on-board system", echo=1),
        0x09: Service("vehicle information", echo=1),
        0x0A: Service("permanent fault codes"),
        0x10: Service("DiagnosticSessionControl", has_subfunction=True, echo=1),
        0x11: Service("ECUReset", has_subfunction=True, echo=1),
        0x14: Service("ClearDiagnosticInformation"),
        0x19: Service("ReadDTCInformation", has_subfunction=True, echo=1),
        0x22: Service("ReadDataByIdentifier", echo=2),
        0x23: Service("ReadMemoryByAddress"),
        0x24: Service("ReadScalingDataByIdentifier", echo=2),
        0x27: Service("SecurityAccess", has_subfunction=True, echo=1),
        0x28: Service("CommunicationControl", has_subfunction=True, echo=1),
        0x29: Service("Authentication", has_subfunction=True, echo=1),
        0x2A: Service("ReadDataByPeriodicIdentifier"),
        0x2C: Service("DynamicallyDefineDataIdentifier", has_subfunction=True, echo=1),
        0x2E: Service("WriteDataByIdentifier", echo=2),
        0x2F: Service("InputOutputControlByIdentifier", echo=2),
        0x31: Service("RoutineControl", has_subfunction=True, echo=3),
        0x34: Service("RequestDownload"),
        0x35: Service("RequestUpload"),
        0x36: Service("TransferData", echo=1),
        0x37: Service("RequestTransferExit"),
        0x38: Service("RequestFileTransfer", echo=1),
        0x3D: Service("WriteMemoryByAddress"),
        0x3E: Service("TesterPresent", has_subfunction=True, echo=1),
        0x83: Service("AccessTimingParameter", has_subfunction=True, echo=1),
        0x84: Service("SecuredDataTransmission"),
        0x85: Service("ControlDTCSetting", has_subfunction=True, echo=1),
        0x86: Service("ResponseOnEvent", has_subfunction=True, echo=1),
        0x87: Service("LinkControl", has_subfunction=True, echo=1),
    }
)
"""By number."""

SUBFUNCTIONS: Final[Mapping[int, Mapping[int, str]]] = MappingProxyType(
    {
        0x10: _SESSIONS,
        0x11: {
            1: "hardReset",
            2: "keyOffOnReset",
            3: "softReset",
            4: "enableRapidPowerShutDown",
            5: "disableRapidPowerShutDown",
        },
        0x19: {
            0x01: "reportNumberOfDTCByStatusMask",
            0x02: "reportDTCByStatusMask",
            0x03: "reportDTCSnapshotIdentification",
            0x04: "reportDTCSnapshotRecordByDTCNumber",
            0x05: "reportDTCStoredDataByRecordNumber",
            0x06: "reportDTCExtDataRecordByDTCNumber",
            0x07: "reportNumberOfDTCBySeverityMaskRecord",
            0x08: "reportDTCBySeverityMaskRecord",
            0x09: "reportSeverityInformationOfDTC",
            0x0A: "reportSupportedDTC",
            0x0B: "reportFirstTestFailedDTC",
            0x0C: "reportFirstConfirmedDTC",
            0x0D: "reportMostRecentTestFailedDTC",
            0x0E: "reportMostRecentConfirmedDTC",
            0x0F: "reportMirrorMemoryDTCByStatusMask",
            0x10: "reportMirrorMemoryDTCExtDataRecordByDTCNumber",
            0x11: "reportNumberOfMirrorMemoryDTCByStatusMask",
            0x12: "reportNumberOfEmissionsOBDDTCByStatusMask",
            0x13: "reportEmissionsOBDDTCByStatusMask",
            0x14: "reportDTCFaultDetectionCounter",
            0x15: "reportDTCWithPermanentStatus",
            0x16: "reportDTCExtDataRecordByRecordNumber",
            0x17: "reportUserDefMemoryDTCByStatusMask",
            0x18: "reportUserDefMemoryDTCSnapshotRecordByDTCNumber",
            0x19: "reportUserDefMemoryDTCExtDataRecordByDTCNumber",
            0x42: "reportWWHOBDDTCByMaskRecord",
            0x55: "reportWWHOBDDTCWithPermanentStatus",
        },
        0x28: {
            0: "enableRxAndTx",
            1: "enableRxAndDisableTx",
            2: "disableRxAndEnableTx",
            3: "disableRxAndTx",
        },
        0x31: {1: "startRoutine", 2: "stopRoutine", 3: "requestRoutineResults"},
        0x3E: {0: "zeroSubFunction"},
        0x85: {1: "on", 2: "off"},
    }
)
"""By service; those of manufacturers have no names here."""

RESPONSE_CODES: Final[Mapping[int, str]] = MappingProxyType(
    {
        0x10: "generalReject",
        0x11: "serviceNotSupported",
        0x12: "subFunctionNotSupported",
        0x13: "incorrectMessageLengthOrInvalidFormat",
        0x14: "responseTooLong",
        0x21: "busyRepeatRequest",
        0x22: "conditionsNotCorrect",
        0x24: "requestSequenceError",
        0x25: "noResponseFromSubnetComponent",
        0x26: "failurePreventsExecutionOfRequestedAction",
        0x31: "requestOutOfRange",
        0x33: "securityAccessDenied",
        0x34: "authenticationRequired",
        0x35: "invalidKey",
        0x36: "exceedNumberOfAttempts",
        0x37: "requiredTimeDelayNotExpired",
        0x38: "secureDataTransmissionRequired",
        0x39: "secureDataTransmissionNotAllowed",
        0x3A: "secureDataVerificationFailed",
        0x50: "certificateVerificationFailedInvalidTimePeriod",
        0x51: "certificateVerificationFailedInvalidSignature",
        0x52: "certificateVerificationFailedInvalidChainOfTrust",
        0x53: "certificateVerificationFailedInvalidType",
        0x54: "certificateVerificationFailedInvalidFormat",
        0x55: "certificateVerificationFailedInvalidContent",
        0x56: "certificateVerificationFailedInvalidScope",
        0x57: "certificateVerificationFailedInvalidCertificateRevoked",
        0x58: "ownershipVerificationFailed",
        0x59: "challengeCalculationFailed",
        0x5A: "settingAccessRightsFailed",
        0x5B: "sessionKeyCreationOrDerivationFailed",
        0x5C: "configurationDataUsageFailed",
        0x5D: "deAuthenticationFailed",
        0x70: "uploadDownloadNotAccepted",
        0x71: "transferDataSuspended",
        0x72: "generalProgrammingFailure",
        0x73: "wrongBlockSequenceCounter",
        0x78: "requestCorrectlyReceivedResponsePending",
        0x7E: "subFunctionNotSupportedInActiveSession",
        0x7F: "serviceNotSupportedInActiveSession",
        0x81: "rpmTooHigh",
        0x82: "rpmTooLow",
        0x83: "engineIsRunning",
        0x84: "engineIsNotRunning",
        0x85: "engineRunTimeTooLow",
        0x86: "temperatureTooHigh",
        0x87: "temperatureTooLow",
        0x88: "vehicleSpeedTooHigh",
        0x89: "vehicleSpeedTooLow",
        0x8A: "throttlePedalTooHigh",
        0x8B: "throttlePedalTooLow",
        0x8C: "transmissionRangeNotInNeutral",
        0x8D: "transmissionRangeNotInGear",
        0x8F: "brakeSwitchNotClosed",
        0x90: "shifterLeverNotInPark",
        0x91: "torqueConverterClutchLocked",
        0x92: "voltageTooHigh",
        0x93: "voltageTooLow",
        0x94: "resourceTemporarilyNotAvailable",
    }
)
"""Why a request was refused, by code."""


def code_text(code: int) -> str:
    """Return a negative response code as number and name.

    >>> code_text(0x22), code_text(0xFE)
    ('22 conditionsNotCorrect', 'FE')
    """
    return f"{code:02X} {RESPONSE_CODES.get(code, '')}".rstrip()


def subfunction_text(service: int, subfunction: int) -> str:
    """Return a subfunction as number and name, without the bit that suppresses the response.

    >>> subfunction_text(0x10, 0x83), subfunction_text(0x27, 5), subfunction_text(0x11, 0x60)
    ('03 extendedDiagnosticSession', '05 requestSeed', '60')
    """
    number = subfunction & ~SUPPRESS & 0xFF
    if service == 0x27 and 0 < number < 0x43:
        name = "requestSeed" if number % 2 else "sendKey"
    else:
        name = SUBFUNCTIONS.get(service, {}).get(number, "")
    return f"{number:02X} {name}".rstrip()


def is_request(data: bytes) -> bool:
    """Whether a message begins with the number of a service."""
    return data[:1] != b"" and data[0] in SERVICES


def is_answer(data: bytes) -> bool:
    """Whether a message begins like a positive or a negative response."""
    if data[:1] == b"\x7f":
        return len(data) == 3 and data[1] in SERVICES
    return data[:1] != b"" and data[0] - POSITIVE in SERVICES


def answered_service(data: bytes) -> int | None:
    """Return the number of the service that a message answers; None if it is no answer."""
    if not is_answer(data):
        return None
    return data[1] if data[0] == NEGATIVE else data[0] - POSITIVE


def answers(request: bytes, answer: bytes) -> bool:
    """Whether a message can answer a request: the same service, and what a positive response has to repeat."""
    if not is_request(request) or answered_service(answer) != request[0]:
        return False
    if answer[0] == NEGATIVE:
        return True
    service = SERVICES[request[0]]
    asked, told = request[1:], answer[1 : 1 + service.echo]
    if len(told) < service.echo:
        return False
    if request[0] in {0x01, 0x22}:  # several identifiers may be asked for, and some of them not be supported
        each = service.echo
        return told in {asked[k : k + each] for k in range(0, len(asked), each)}
    if service.has_subfunction and asked:
        asked = bytes([asked[0] & ~SUPPRESS & 0xFF]) + asked[1:]
    return len(asked) >= service.echo and told == asked[: service.echo]


def is_suppressed(request: bytes) -> bool:
    """Whether a request says that no positive response is wanted."""
    return is_request(request) and len(request) > 1 and SERVICES[request[0]].has_subfunction and request[1] >= SUPPRESS

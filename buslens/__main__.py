"""The program, as ``buslens`` and as ``python -m buslens``: answers Ctrl-C before it loads anything."""

import os
import sys


def main() -> int:
    """Run the command that the words of this process name, and return the exit status; see `buslens.cli`."""
    try:
        import signal

        is_heard = signal.getsignal(signal.SIGINT) == signal.default_int_handler
        if is_heard:
            # Nothing has been begun yet, so nothing has to be put in order.
            signal.signal(signal.SIGINT, _stop)
        from buslens.cli import main as run
        from buslens.cli.shutdown import deferred_signals

        if is_heard:
            signal.signal(signal.SIGINT, signal.default_int_handler)
        with deferred_signals():
            status = run()
        if is_heard:
            # All is said: Python's own way out is not to be stopped with a traceback.
            signal.signal(signal.SIGINT, signal.SIG_DFL)
    except KeyboardInterrupt as exc:
        _stop(status=getattr(exc, "status", 130))
    return status


def _stop(*_signal: object, status: int = 130) -> None:
    """End the process at once, with the words and the status that it would have ended with later."""
    try:
        os.write(2, b"buslens: stopped\n" if status == 130 else b"buslens: ended\n")
    finally:
        os._exit(status)


if __name__ == "__main__":
    sys.exit(main())

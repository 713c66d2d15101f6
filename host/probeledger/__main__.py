"""Run the command line as `python -m probeledger`."""

from probeledger.cli import main

if __name__ == "__main__":
    main(prog_name="probeledger")

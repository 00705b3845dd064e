"""Cuts the measured cell's files down to what the checks need.

Usage: python trim.py FOLDER, where FOLDER holds the CSV files of the data set (see README.md).
"""

import csv
import sys
from itertools import groupby
from pathlib import Path

HERE = Path(__file__).parent
KEPT = ("Time(s)", "Current(A)", "Voltage(V)", "Capacity(Ah)", "Energy(Wh)")


def steps_of(path):
    """Return the rows of each step of a file, in order, and the header."""
    with path.open(newline="") as file:
        header, *rows = csv.reader(file)
    return header, [list(step) for _, step in groupby(rows, key=lambda row: (row[13], row[6]))]


def write(name, header, rows):
    """Write the kept columns, the time counted from the first row less one interval of the cycler's."""
    places = [header.index(column) for column in KEPT]
    start = float(rows[0][places[0]]) - float(rows[0][header.index("StepTime(s)")])
    with (HERE / f"{name}.csv").open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(KEPT)
        for row in rows:
            kept = [row[place] for place in places]
            writer.writerow([f"{float(kept[0]) - start:.1f}", *kept[1:]])


def main(folder):
    """Trim the second discharge of each file with the rest behind it, and the pulses at 25 degC."""
    for rate in ("1c", "2c", "3c"):
        header, steps = steps_of(folder / f"cell-discharge-bitrode-{rate}.csv")
        discharges = [number for number, step in enumerate(steps) if step[0][13].strip() == "DCHG"]
        second = discharges[1]
        write(f"discharge_{rate}", header, steps[second] + steps[second + 1])
    header, steps = steps_of(folder / "cell-low-current-hppc-25c.csv")
    pulses = [number for number, step in enumerate(steps) if step[0][6] == "6"]
    third = pulses[2]
    write("pulse_25degc", header, [row for step in steps[third - 1 : third + 3] for row in step])


if __name__ == "__main__":
    main(Path(sys.argv[1]))

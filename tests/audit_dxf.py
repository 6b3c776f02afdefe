"""Reads DXF files with ezdxf (https://ezdxf.mozman.at, MIT licence) and says what its auditor finds
wrong or mends, and what a layer or a line lacks. Prints one line for each file that is not faultless
and ends with 1; with 77 where ezdxf is not installed."""

import sys

try:
    import ezdxf
except ImportError:
    sys.exit(77)

faults = 0


def fault(path, what):
    global faults
    faults += 1
    print(f"{path}: {what}")


for path in sys.argv[1:]:
    document = ezdxf.readfile(path)
    audit = document.audit()
    for entry in audit.errors + audit.fixes:
        fault(path, f"{entry.code}: {entry.message}")
    if (document.units, document.header["$MEASUREMENT"]) not in ((ezdxf.units.MM, 1), (ezdxf.units.IN, 0)):
        fault(path, "is neither in millimetres nor in inches")
    used = set()
    for entity in document.modelspace():
        used.add(entity.dxf.layer)
        if entity.dxf.layer not in document.layers:
            fault(path, f"{entity} lies on no layer of the table")
        if entity.dxftype() == "TEXT" and not entity.plain_text().strip():
            fault(path, f"{entity} has no words")
    for layer in document.layers:
        if layer.dxf.linetype not in document.linetypes:
            fault(path, f"layer {layer.dxf.name} has no line type")
        if layer.dxf.name not in used | {"0", "Defpoints"}:
            fault(path, f"layer {layer.dxf.name} is empty")

sys.exit(1 if faults else 0)

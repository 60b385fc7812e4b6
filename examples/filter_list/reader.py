# Filters the samples on standard input (one number a line) by the list named in the call.
import sys, zlib
text = open(sys.argv[1], "rb").read()
at = text.rindex(b"\nend ") + 1
lines = [line.split(" ") for line in text[:at].decode().split("\n")]  # the first field says what a line is
numbers = lambda name: [[float(field) for field in line[1:]] for line in lines if line[0] == name]
sign = -1 if [line for line in lines if line[0] == "equation" and "-" in line] else 1
stages = [(b, [sign * n for n in a], [0, 0], [0, 0]) for b, a in zip(numbers("b"), numbers("a"))]
if text[at:].decode() != "end %d crc32=%08x\n" % (len(stages), zlib.crc32(text[:at])) or lines[0] != ["planish-filters", "1"]:
    sys.exit("no filter list of format 1 with coefficients, or it was changed")
for sample in sys.stdin:
    signal = 10 ** (numbers("gain_db")[0][0] / 20) * float(sample)
    for b, a, x, y in stages:
        y0 = b[0] * signal + b[1] * x[0] + b[2] * x[1] + a[0] * y[0] + a[1] * y[1]
        x[:], y[:], signal = [signal, x[0]], [y0, y[0]], y0
    print(repr(signal))

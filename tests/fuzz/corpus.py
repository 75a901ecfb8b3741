"""What the fuzzer starts from: small files that between them use every feature, and words that hurt."""

from __future__ import annotations

VCD_HEAD = (
    b"$date today $end\n$version a bench recorder $end\n$comment x $end\n$timescale 10 ns $end\n"
    b"$scope module bench $end\n$var wire 1 ! SENSOR $end\n$var wire 1 ab DOUT $end\n$var reg 4 # bus [3:0] $end\n"
    b"$var real 1 r volts $end\n$upscope $end\n$enddefinitions $end\n"
)

VCD = (
    VCD_HEAD
    + b"$dumpvars\nx!\n0ab\nbx #\n$end\n#0\n1!\n1ab\nb1010 #\n#12\n0!\n$comment of note $end\n#345\nb1 #\nr1.5e3 r\n"
    b"$dumpoff\nx!\nxab\nbx #\n$end\n#1020\n$dumpon\n0!\n0ab\nb11 #\n$end\n#5000\n1!\n0ab\n#67890\n0!\n1 ab\n#70001\n",
    b'$timescale 1 ns $end $var wire 1 ! A $end $var wire 1 " B $end $enddefinitions $end\n#0 0! 0"\n'
    + b"".join(b'#%d %d! %d"\n' % (n * 417 // 10, n % 2, n // 3 % 2) for n in range(1, 24)),
    b"$timescale 1ps $end\n$scope module a $end\n$scope module b $end\n$var wire 8 %% q[7:0] $end\n"
    b"$var wire 1 %!x \\esc(aped) $end\n$upscope $end\n$var wire 70 && wide $end\n$upscope $end\n$enddefinitions $end\n"
    b"#1000000000000\nb1 %%\nz%!x\nbz01 &&\n#1000000000000\nb0 %%\n1%!x\n#4611686018427387000\nbx0 %%\n0 %!x\n",
    b"$timescale 1 us $end $var port 1 <0 CLK $end $var port [0:3] <1 D $end $enddefinitions $end\n"
    b"$dumpports pD 6 0 <0 pLLLL 6666 0000 <1 $end\n#0\npU 0 6 <0\n#5\npD 6 0 <0\npUDUN 6666 0000 <1\n#9\npZ 0 0 <0\n",
    b"\xef\xbb\xbf$timescale 1 ns $end $var wire 1 ! A $end $enddefinitions $end\r\n#0\r\n0!\r\n#5\r\n1!\r\n#9\r\n0!\r\n",
)

CSV = (
    b"Time [us],A,B\n" + b"".join(b"%d.5,%d,%d\n" % (n * 3, n % 2, n // 3 % 2) for n in range(12)),
    b"# sample rate: 1 MHz\nsample;A;bus\n" + b"".join(b"%d;%d;0x%X\n" % (n, n % 2, n * 7 % 64) for n in range(12)),
    b"time (ms)\tSENSOR\tDOUT\n"
    + b"".join(
        b"%d,%03d\t%s\t%s\n" % (n, n * 71 % 1000, (b"low", b"HIGH")[n % 2], (b"x", b"1")[n // 2 % 2]) for n in range(10)
    ),
    b"Time [s],V1 [V]\n" + b"".join(b"%.4e,%.3f\n" % (n * 1e-6, 3.3 * (n // 4 % 2) + n % 3 * 0.01) for n in range(40)),
    b"A,B,C\n" + b"".join(b"%d,%d,%d\n" % (n % 2, n // 2 % 2, n // 5 % 2) for n in range(16)),
    b'"t_ns","A"\r\n' + b"".join(b'"%d","%s"\r\n' % (n * 83, (b"false", b"true")[n % 2]) for n in range(10)),
    b"Time,A,U\n"
    + b"".join(b"23:59:59.9%02d+01:00,%d,%d mV\n" % (n * 9, n % 2, n // 3 % 2 * 3300) for n in range(12))
    + b"00:00:00.01+01:00,1,3.3V\n\x1a",
    b"n;Time;A\n" + b"".join(b"%d;2026-12-31T10:00:00,%03dZ;%d\n" % (n, n * 7, n % 2) for n in range(12)),
    "t;A\r\n".encode("utf-16-le") + b"".join(f"{n - 4},5 us;{n % 2}\r\n".encode("utf-16-le") for n in range(12)),
    b"t,U\n" + b"".join(f"{n - 4} µs,{n % 3 - 1}.5V\n".replace("-", "−").encode() for n in range(12)),
    b"Date,Time,A,B\n"
    + b"".join(
        b"%02d/11/2026,%02d:59:59.%03d %s,%d,%s\n" % (29 + n // 6, 11, n * 90, b"pm", n % 2, (b"nan", b"1")[n % 2])
        for n in range(10)
    ),
    b"Time [min],A,U [V]\n"
    + b"".join(
        b"%.5g,%s,%s\n" % (n * n / 7, (b"1", b"", b"0", b"")[n % 4], (b"NaN", b"3.3")[n % 2]) for n in range(60)
    ),
    b"Time  A   B\n"
    + b"".join(b"100:00:%02d.5   %d  %d\n" % (n * 4, n % 2, n // 3 % 2) for n in range(12))
    + bytes(70),
    "Time [µs];A\r".encode("latin-1") + b"".join(b"%d,25;%d\r" % (n, n % 2) for n in range(8)),
)

RIG = (
    b'[capture]\nsample_rate_hz = 24_000_000\nclock_ppm = 50\ntick_ns = 1.0\n[index]\nchannel = "SENSOR"\n'
    b'edge = "rising"\npulses_per_revolution = 1\nmissing_tooth = false\nmin_pulse_us = 20\n'
    b'[motor]\nphases = ["HALL"]\npole_pairs = 4\n[[leds]]\nname = "arm"\npart = "WS2812B 2013-05"\ndata = "DOUT"\n'
    b'count = 2\norder = "GRB"\ntap = "controller"\nlatch_us = 50.0\n[display]\ngeometry = "arm"\ncolumns = 8\n'
    b'direction = "clockwise"\nradii_mm = [10.0, 20.0]\ngamma = 2.2\n[markers]\nradio = "SENSOR"\n'
    b'[limits."latency.latency"]\nmax_us = 450\nnegligible_us = 5\nsource = "us"\n',
    b'[index]\nchannel = "SENSOR"\nedge = "centre"\npulses_per_revolution = 5\nmissing_tooth = true\n'
    b'[display]\ngeometry = "slot"\nslots = 2\n[limits."rotation.period_jitter"]\nmax_ms = 1\n'
    b'[limits."leds.arm.t0h"]\nmin_ns = 200\nmax_ns = 500\n[[leds]]\nname = "arm"\ndata = "DOUT"\ninverted = true\n',
)

NUMBERS = (
    b"0", b"-0", b"-1", b"1", b"2", b"65535", b"65537", b"1000000", b"4294967296", b"4611686018427387904",
    b"4611686018427387905", b"9223372036854775807", b"9223372036854775808", b"18446744073709551616",
    b"1" + b"0" * 40, b"9" * 5000, b"1.5", b"1e308", b"1e-308", b"-1e400", b"1e999", b"5e-324", b"0.1", b"00000000000000000001",
    b"nan", b"inf", b"-inf", b"+Infinity", b"0x10", b"0xFFFFFFFFFFFFFFFFF", b"1_000", b"1e", b"--1", "²".encode(), "٣".encode(),
)  # fmt: skip

WORDS = {
    "vcd": (
        b"$end", b"$comment", b"$dumpvars", b"$dumpoff", b"$dumpon", b"$dumpall", b"$dumpports", b"$enddefinitions $end",
        b"$timescale 100 s $end", b"$timescale 1 fs $end", b"$timescale 0 s $end", b"$timescale 1 min $end",
        b"$scope module \x1b[31m $end", b"$upscope $end", b"$var wire 1 ! A $end", b"$var wire 0 ! A $end",
        b"$var wire 1000000 !! V $end", b"$var wire 64 !v =SUM(A1) $end", b"$var real 1 ! R $end", b"$var string 1 s <b> $end",
        b"$var wire [3:0] c n[0:3] $end", b"$foo bar $end", b"$", b"#", b"#0", b"#1", b"#-1", b"#1.5", b"#4611686018427387904",
        b"0!", b"1!", b"x!", b"z!", b"-!", b"u!", b"0 !", b"1ab", b"b1", b"b1 #", b"bx #", b"bz01x #", b"b #", b"B01 ab",
        b"b" + b"10" * 40 + b" #", b"r1e400 r", b"rnan r", b"sword r", b"p", b"pU 0 6 !", b"[3:0]", b"[-1:5]", b"[9999999999:0]",
        b"\\", b"\0", b"\xff", b"\xef\xbb\xbf", b"\r", b"\x0c", b"\x1a", b"\0" * 60, b"-- end of export --", b"$DUMPALL",
        b"$timescale 1 \xc2\xb5s $end", b"$timescale 1 US $end", b"b0!", b"#1,234", b"$comment #7 $timescale 1 ns",
    ),
    "csv": (
        b",", b";", b"\t", b"|", b" ", b'"', b"\n", b"\r", b"\r\n", b"\n\n", b"\0", b"#", b"%", b"//", b"Time", b"time [ns]",
        b"[s]", b"(V)", b"mV", b"sample", b"Sample rate: 0 Hz", b"# 24 MHz", b"x", b"z", b"low", b"HIGH", b"true", b"0x", b"FF",
        b"=1+1", b"@x", b".", b",5", b"5,", b"e5", b"+", b"-", b"12:30:01", b"2026-11-25", b"\xef\xbb\xbf", b"\xff\xfe", b"\xb5s",
        b" us", b"ms", b"V", b"2026-12-31T", b"23:59:59", b"+02:00", b"\x1a", b"0b1", "−".encode(),
        b"nan", b"N/A", b"null", b"29/11/2026 ", b"11.12.2026", b" PM", b"am", b"100:00:00.5", b"\xc2\xa0us", b"usec", b"[min]",
        b"(h)", b"\0" * 50, b"00:00:00", b"channel", b"value",
    ),
    "rig": (
        b"[capture]\n", b"[index]\n", b"[motor]\n", b"[[leds]]\n", b"[display]\n", b"[markers]\n", b"[limits]\n", b"true", b"''",
        b'""', b"[]", b"{}", b"{ max_us = nan }", b'"SENSOR"', b'"DOUT"', b'"\\u0000"', b'"\\u001b[31m"', b"1979-05-27", b"= ",
        b"\n", b"columns = 100000\n", b"gamma = ", b"min_pulse_us = ", b"latch_us = ", b"tick_ns = ", b"clock_ppm = ", b"count = ",
        b"radii_mm = [1e308, 1e-308]\n", b'wiring = "clocked"\n', b'part = "WS2812"\n', b'target = "/dev/zero"\n', b"'''", b"#",
    ),
}  # fmt: skip
"""Per kind: what a mutation may put in."""

CORPUS = {"vcd": VCD, "csv": CSV, "rig": RIG}

"""The reboot of each host is drawn as it was seen, and said in words."""

from __future__ import annotations

from types import ModuleType

import msgspec

from reports.timeline import Timeline, timeline


def drawn(sample: ModuleType) -> Timeline:
    line = timeline(sample.rebooted().hosts, "obs.example.net")
    assert line is not None
    return line


def test_hosts_that_did_not_come_back_come_first_then_the_unsettled_then_the_slowest(sample: ModuleType) -> None:
    """What needs a look is on top."""
    assert [row.label for row in drawn(sample).rows] == ["dome-e", "dome-d", "dome-b", "dome-c", "dome-a"]


def test_every_line_is_whole_and_in_order(sample: ModuleType) -> None:
    """From the beginning of the watch to its end, no stretch overlaps another and none is missing."""
    for row in drawn(sample).rows:
        ends = [0.0, *(stretch.ends for stretch in row.stretches)]
        assert [stretch.begins for stretch in row.stretches] == ends[:-1]
        assert ends[-1] == 100.0


def test_what_was_between_two_looks_is_not_called_silent(sample: ModuleType) -> None:
    """The host fell silent at some time between the last answer and the first silence: that stretch is unseen."""
    quick = drawn(sample).rows[-1]
    assert [stretch.kind for stretch in quick.stretches] == ["answering", "unseen", "silent", "unseen", "back", "ready"]
    assert quick.settled is not None
    assert quick.stretches[-1].begins < quick.settled < 100


def test_the_words_say_the_same(sample: ModuleType) -> None:
    """A reader who sees no picture misses nothing."""
    texts = {row.label: row.text for row in drawn(sample).rows}
    assert texts["dome-a"] == "silent after 20 s, back after 80 s (60 s away); ready after 110 s; settled after 140 s"
    assert texts["dome-d"] == "silent after 30 s, back after 90 s (60 s away); not settled (time-out)"
    assert texts["dome-e"] == "silent after 28 s, and not back; not settled (time-out)"


def test_the_words_count_from_where_the_axis_begins(sample: ModuleType) -> None:
    """Hosts take turns within a round, so that each has a beginning of its own; the picture and the words have one."""
    hosts = sample.rebooted().hosts
    later = msgspec.structs.replace(hosts[0].evidence.boot, began=hosts[0].evidence.boot.began.replace("T09:00:00", "T09:00:04"))
    hosts = (msgspec.structs.replace(hosts[0], evidence=msgspec.structs.replace(hosts[0].evidence, boot=later)), *hosts[1:])
    line = timeline(hosts, "obs.example.net")
    assert line is not None
    assert next(row for row in line.rows if row.label == "dome-a").text.startswith("silent after 20 s, back after 80 s")


def test_a_host_that_was_silent_already_is_said_to_be_so(sample: ModuleType) -> None:
    """When it fell silent was not seen."""
    host = sample.rebooted().hosts[0]
    (outage,) = host.evidence.boot.outages
    seen = msgspec.structs.replace(host.evidence.boot, outages=(msgspec.structs.replace(outage, answered=""),))
    line = timeline([msgspec.structs.replace(host, evidence=msgspec.structs.replace(host.evidence, boot=seen))], "")
    assert line is not None
    assert line.rows[0].text.startswith("silent from the beginning, back after")


def test_a_host_that_was_never_silent_is_said_to_be_so(sample: ModuleType) -> None:
    """No outage seen is not the same as no reboot; the page says only what was seen."""
    host = sample.rebooted().hosts[0]
    seen = msgspec.structs.replace(host.evidence.boot, outages=())
    quiet = msgspec.structs.replace(host, evidence=msgspec.structs.replace(host.evidence, boot=seen))
    line = timeline([quiet], "")
    assert line is not None
    assert line.rows[0].text.startswith("never seen silent; ")
    assert [stretch.kind for stretch in line.rows[0].stretches] == ["answering", "ready"]


def test_a_time_in_which_nobody_looked_is_not_drawn_as_answering(sample: ModuleType) -> None:
    """A runner that was suspended for a minute: the line has a hole, and the words say so."""
    host = sample.rebooted().hosts[0]
    began = host.evidence.boot.began
    hole = tuple(began.replace("T09:00:00", f"T09:0{minute}:00") for minute in (1, 2))
    seen = msgspec.structs.replace(host.evidence.boot, outages=(), ready="", settled="", unwatched=hole)
    line = timeline([msgspec.structs.replace(host, evidence=msgspec.structs.replace(host.evidence, boot=seen))], "")
    assert line is not None
    (row,) = line.rows
    assert [stretch.kind for stretch in row.stretches] == ["answering", "unseen", "answering"]
    assert [stretch.begins for stretch in row.stretches][1:] == [stretch.ends for stretch in row.stretches][:-1]
    assert "nobody looked for 60 s after" in row.text


def test_a_run_that_watched_no_reboot_has_no_timeline(sample: ModuleType) -> None:
    """Nothing is drawn from nothing, nor from times that cannot be read."""
    report = sample.small()
    assert timeline(report.hosts, "") is None
    host = sample.rebooted().hosts[0]
    odd = msgspec.structs.replace(host.evidence, boot=msgspec.structs.replace(host.evidence.boot, began="soon"))
    assert timeline([msgspec.structs.replace(host, evidence=odd)], "") is None


def test_labels_of_the_axis_are_few_and_round(sample: ModuleType) -> None:
    """Ten minutes are told in steps of two, and each axis in one unit: "120 s" stood before "4 min"."""
    assert [tick.label for tick in drawn(sample).ticks] == ["0", "2 min", "4 min", "6 min", "8 min", "10 min"]
    for seconds, labels in ((55, ["0", "10 s", "20 s", "30 s", "40 s", "50 s"]),
                            (175, ["0", "30 s", "60 s", "90 s", "120 s", "150 s"]),
                            (9000, ["0", "30 min", "60 min", "90 min", "120 min", "150 min"]),
                            (20000, ["0", "1 h", "2 h", "3 h", "4 h", "5 h"])):
        host = sample.rebooted().hosts[0]
        watched = msgspec.structs.replace(host.evidence, boot=sample.boot(20, 40, 41, 50, ended=seconds))
        line = timeline([msgspec.structs.replace(host, evidence=watched)], "")
        assert line is not None
        assert [tick.label for tick in line.ticks] == labels


def test_how_it_went_with_hosts_that_are_not_drawn_is_said(sample: ModuleType) -> None:
    """Never that they settled when they did not: each end is counted, the worst first."""
    hosts = sample.rebooted().hosts
    by_name = {host.name.partition(".")[0]: host for host in hosts}
    gone, unsettled, settled = by_name["dome-e"], by_name["dome-d"], by_name["dome-a"]
    assert drawn(sample).left_out == ""
    for crowd, said in (
            ([gone] * 25 + [unsettled] * 2 + [settled] * 7,
             "1 more host did not come back, 2 more did not settle, 7 more settled sooner than these"),
            ([unsettled] * 30, "6 more hosts did not settle"), ([settled] * 25, "1 more host settled sooner than these")):
        line = timeline(crowd, "obs.example.net")
        assert line is not None
        assert line.left_out == said

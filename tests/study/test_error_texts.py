"""The words of errors, kept as snapshots: one study with every mistake."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest
from syrupy.assertion import SnapshotAssertion

import pitstats as ps
from pitstats.study import check_study, read_study, start_study, write_study

SETTINGS = """\
title = "  "
temperature_rule = "by feel"
temperature_unit = "K"
length_unit = ""
grades = ["raw", "light", "golden", "dark", "burned"]
raw_to = "burnt"
burned_from = "dark"
target_grades = ["golden", "dark", "crisp"]
face = "lid"
margin = 15
conf_level = 95
"""

PITS = """\
pit,flow,has_damper,label
A,sideways,no,
B,reverse,perhaps,"a cell with a bell \x07"
B,conventional,yes,
,reverse,yes,no name
"""

GRATES = """\
pit,grate,rows,columns,cell_length,level
A,main,2,3,4,1
A,main,2,3,4,1
B,lower,1,0,-2,low
B,,1,4,4,2
C,main,2,2,4,1
"""

BAKES = """\
bake,pit,order,target_temp,ambient_temp,damper_open,minutes,openings,status,reason,blind
A1,A,1,350,60,0.5,22,0,kept,,yes
B1,B,first,325 F,60,50,"1,500",1.5,kept,,no
B2,B,2,350,60,-1,0,0,excluded,,no
A1,A,3,350,60,,22,0,kept,,no
D1,b,4,350,60,,22,0,done,,no
A3,A,5,350,60,,22,0,planned,,no
A4,A,6,350,60,,22,0,kept,,2
"""

ITEMS = """\
bake,grate,row,column,code,grade_top,grade_bottom,burned,rise_mm,distance
A1,main,1,1,101,golden,golden,yes,40,0.1
A1,main,1,1,102,golden,light,,40,0.1
A1,main,3,9,101,charred,7,,4000,0.1
A1,upper,1,1,104,burned,,no,40,0.1
Z9,main,1,1,105,golden,,,40,0.1
A3,main,1,1,106,golden,,,40,0.1
B1,,1,1,107,golden,,,40,0.1
B1,lower,one,1,108,golden,,maybe,40,0.1
A1,main,2,2,109,golden,,,40,0.1,too much
"""

COUNTS = """\
bake,n_items,n_burned,n_raw
A1,6,7,8
A3,0,-1,
Z9,5,,
"""

PROBES = """\
bake,probe,row,column,minute,temp
A1,p1,1,9,0,350
A1,,1,1,,350
"""

REGRADES = """\
code,bake,row,column,grade_top
999,,,,golden
,A1,1,,golden
,A1,2,3,crisp
101,,,,golden
"""

FILES = {
    "study.toml": SETTINGS,
    "pits.csv": PITS,
    "grates.csv": GRATES,
    "bakes.csv": BAKES,
    "items.csv": ITEMS,
    "counts.csv": COUNTS,
    "probes.csv": PROBES,
    "regrades.csv": REGRADES,
}


def said(path: Path) -> str:
    return "\n".join(str(problem) for problem in check_study(path))


def test_a_study_with_every_mistake(
    tmp_path: Path, snapshot: SnapshotAssertion
) -> None:
    for name, text in FILES.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    assert said(tmp_path) == snapshot


def test_temperatures_of_the_other_unit(
    tmp_path: Path, snapshot: SnapshotAssertion
) -> None:
    (tmp_path / "study.toml").write_text(
        'title = "T"\nquestion = "Q"\ntemperature_rule = "tuned"\n'
        'temperature_unit = "C"\n'
    )
    (tmp_path / "pits.csv").write_text("pit\nA\n")
    (tmp_path / "bakes.csv").write_text(
        "bake,pit,target_temp,ambient_temp,status\n"
        "1,A,325,60,planned\n2,A,20,-40,planned\n3,A,900,,planned\n"
    )
    assert said(tmp_path) == snapshot


def test_a_blank_study(tmp_path: Path, snapshot: SnapshotAssertion) -> None:
    start_study(tmp_path / "blank")
    assert said(tmp_path / "blank") == snapshot
    (tmp_path / "empty").mkdir()
    assert said(tmp_path / "empty") == snapshot(name="empty folder")


def test_the_settings_that_a_blank_study_holds(
    tmp_path: Path, snapshot: SnapshotAssertion
) -> None:
    start_study(tmp_path / "blank")
    text = (tmp_path / "blank" / "study.toml").read_text(encoding="utf-8")
    assert text == snapshot


def test_assumptions(tmp_path: Path, snapshot: SnapshotAssertion) -> None:
    (tmp_path / "study.toml").write_text(
        'Title = "T"\nquestion = "Q"\ntemperature_rule = "Tuned"\n'
        'temperature_unit = "celsius"\nquestions = 2\n'
    )
    (tmp_path / "pits.csv").write_bytes("pit;label\nA;Grün\n".encode("cp1252"))
    (tmp_path / "bakes.csv").write_text(
        'bake,pit,Target Temp,minutes,tendre\n1,A,180,"22,5",Kim\n2,A,NA,20\n'
    )
    (tmp_path / "items.csv").write_text(
        "bake,row,column,grade_top,missing\n1,1,1,Golden,\n1,2,3,,\n1,1,2,4,torn\n"
    )
    (tmp_path / "counts.csv").write_text("bake,n_items,n_burned\n2,12,3\n")
    (tmp_path / "weather.csv").write_text("hour,rain\n")
    study = read_study(tmp_path)
    assert "\n".join(study.assumptions) == snapshot
    write_study(study, tmp_path / "again")
    assert "\n".join(read_study(tmp_path / "again").assumptions) == snapshot(
        name="after a round trip"
    )


@pytest.mark.parametrize(
    "error",
    [
        ps.InvalidStudyError([ps.Problem("items", 3, "row", "found 9.")], "my_test"),
        ps.GradeFileError(["ann.json: is damaged."]),
    ],
)
def test_errors_come_whole_out_of_another_process(error: ps.PitstatsError) -> None:
    error.add_note("Assumed: nothing")
    again = pickle.loads(pickle.dumps(error))
    assert str(again) == str(error)
    assert again.__dict__ == error.__dict__

"""The list of older names is the table that reads them."""

from chainrun.docs.old_names import old_names
from chainrun.recipe.renamed import FileKind
from chainrun.recipe.rewrite import todays_text


def test_the_list_shows_every_renamed_key_of_a_step_as_it_is_rewritten():
    names = {one.where: one for one in old_names()}
    assert {"compressor", "saturate", "a band of eq", "an expectation", "a cull plan", "a send"} <= set(names)
    for one in old_names():
        if not one.where.islower() or " " in one.where or " = " in one.before:
            continue
        step = f'[stems.a]\nchain = [ {{ do = "{one.where}", {one.before} = 3 }} ]\n'
        assert f"{one.today} = 3" in todays_text(step, FileKind.RECIPE)[0], one


def test_explain_lists_them(chainrun):
    ran = chainrun("explain", "renamed")
    assert ran.code == 0 and "threshold_db  ->  threshold_dbfs" in ran.out
    assert max(map(len, ran.out.splitlines())) <= 80
    assert {"where": "hum", "before": "notch_hz", "today": "bandwidth_hz"} in chainrun(
        "explain", "renamed", "--json"
    ).json["renamed"]

"""What does the answer hang on? Each item of evidence left out in turn.

python front_or_rear.py SITE
"""

import sys

import pandas as pd

import sitegis

site = sys.argv[1]
with_all = sitegis.run(site)
items = sorted({item["kind"] for item in with_all.answer["hypotheses"][0]["evidence"]})


def by_main(result: sitegis.Result) -> dict[str, float]:
    """Return the probability of each main, summed over the ways to it."""
    rows = pd.DataFrame(result.answer["hypotheses"]).fillna({"main": "not on record"})
    return rows.groupby("main")["probability"].sum().to_dict()


table = {"all evidence": by_main(with_all)}
for item in items:
    if item != "locates":
        table[f"without {item}"] = by_main(sitegis.run(site, without=(item,)))
print(pd.DataFrame(table).T.round(3).to_string())

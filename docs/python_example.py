# %% [markdown]
# # A mixer from Python: from the design to the customer's receiver
#
# Every argument has a name, every name ends with its unit, every table is a dictionary of columns.

# %%
import os
from pathlib import Path

import matplotlib

matplotlib.use("svg")
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd

import mixwright as mw

folder = Path(os.environ.get("MIXWRIGHT_EXAMPLE_FOLDER", "mixwright-python-example"))
folder.mkdir(parents=True, exist_ok=True)
plt.rcParams.update({"svg.hashsalt": "mixwright", "font.size": 9, "figure.figsize": (6.4, 3.6), "figure.autolayout": True})
pd.set_option("display.width", 110)
pd.set_option("display.max_columns", 12)


def save(name: str) -> None:
    plt.savefig(folder / name, metadata={"Date": None})
    plt.close()


# %% [markdown]
# ## The maker: review a design
#
# The demonstration is an invented ring mixer for 20 to 26 GHz with an LO of 28 GHz.

# %%
design = mw.open_design(path=mw.write_demo(folder=folder))
review = design.review()
summary = pd.DataFrame(review.summary())
print(summary[["measure", "value", "numeric_band", "unit"]].round(2).to_string(index=False))

# %%
verdicts = pd.DataFrame(review.verdicts())
print(verdicts[["key", "side", "limit", "worst", "margin", "status"]].round(2).to_string(index=False))

# %% [markdown]
# Spurious products at the IF, the difference products m·RF − n·LO, at one RF.

# %%
spurs = pd.DataFrame(review.spurs(section="spurs"))
one = spurs[(spurs["sign"] == "difference") & (spurs["rf_hz"] == 23e9)]
grid = one.pivot_table(index="m", columns="n", values="level_dbc")
print(grid.round(0).to_string())

# %% [markdown]
# ## Handing it out
#
# The package holds waves at the connectors and at the junctions: no layout, no stackup.

# %%
key = folder / "maker.key"
if not key.exists():
    mw.new_key(path=key, maker="Quillback Converters")
model = design.pack(
    path=folder / "qb-k07.mwmodel",
    maker="Quillback Converters",
    key_path=key,
    temperature_k=(233.15, 333.15),
    challenge_points=4,
)
print(model)
print(pd.DataFrame(model.region()).to_string(index=False))

# %% [markdown]
# ## The customer: open it, look at it, put a receiver around it

# %%
model = mw.open_model(path=folder / "qb-k07.mwmodel", trusted_key_path=folder / "maker.pub")
print(model.signature.split(" (")[0] if model.signature else "not signed")
receiver = model.surround(
    name="receiver with preselector",
    rf=[mw.Part.line(length_m=1.8e-3), mw.Part.filter(pass_hz=(19.5e9, 26.5e9), magnitude=0.95)],
    if_=[mw.Part.pad(loss_db=1.0)],
)
rf_hz = np.linspace(20e9, 26e9, 61)
bare, around = model.sweep(rf_hz=rf_hz), receiver.sweep(rf_hz=rf_hz, band=True)
plt.plot(rf_hz / 1e9, bare["conversion_loss_db"], label="model alone")
plt.plot(rf_hz / 1e9, around["conversion_loss_db"], label="behind 1.8 mm of line and a reflecting filter, 1 dB at the IF")
plt.xlabel("RF, GHz")
plt.ylabel("Conversion loss, dB")
plt.legend()
save("loss.svg")
print(f"largest motion of the loss with twice the LO harmonics: {around['conversion_loss_band_db'].max():.1e} dB")

# %% [markdown]
# ![Conversion loss over the RF band, alone and in the receiver](python/loss.svg)
#
# ## Sweep a termination: what a reflection at the image does

# %%
phase_deg = np.arange(0.0, 360.0, 10.0)
gamma = 0.9 * np.exp(1j * np.deg2rad(phase_deg))
image = model.sweep(rf_hz=23e9, terminations=[mw.Termination(port="rf", at="image", gamma=gamma)], noise=True)
plt.plot(phase_deg, image["conversion_loss_db"], label="conversion loss")
plt.plot(phase_deg, image["noise_figure_ssb_db"], "--", label="noise figure, single sideband")
plt.xlabel("Phase of a reflection of 0.9 at the image, degree")
plt.ylabel("dB")
plt.legend()
save("image.svg")
best = int(np.argmin(image["conversion_loss_db"]))
print(f"least loss {image['conversion_loss_db'][best]:.2f} dB at {phase_deg[best]:.0f} degree, RF 23 GHz")

# %% [markdown]
# ![Loss and noise figure against the phase of the image reflection](python/image.svg)
#
# ## Sweep the level of the LO, with products

# %%
lo_dbm = np.arange(13.0, 17.5, 1.0)
level = model.sweep(rf_hz=25e9, lo_dbm=lo_dbm, signal_dbm=-10.0, products=[(2, -2), (3, -3)])
columns = ["lo_dbm", "conversion_loss_db", "return_loss_lo_db", "product_2lo-2rf_dbc", "product_3lo-3rf_dbc"]
print(pd.DataFrame(level)[columns].round(2).to_string(index=False))

# %% [markdown]
# ## Every passive termination at once
#
# `exact` is an exact range over one reflection; `envelopes` come from full solutions and are compared with random
# terminations.

# %%
study = model.terminations(reflection=0.9, points=2, checks=20)
exact = pd.DataFrame(study.exact())
exact["rf_hz"] /= 1e9
print(exact[["rf_hz", "termination", "nominal_db", "best_db", "worst_db"]].round(2).to_string(index=False))

# %% [markdown]
# ## Spur planning
#
# Exact input intervals, joined with the levels of the model, strongest first.

# %%
for use, table in model.spur_intervals():
    frame = pd.DataFrame(table)
    plt.barh(
        [f"{product}  ({i + 1})" for i, product in enumerate(frame["product"])][::-1],
        (frame["to_hz"] - frame["from_hz"])[::-1] / 1e9,
        left=frame["from_hz"][::-1] / 1e9,
    )
    plt.xlabel("Input, GHz")
    plt.title(use)
    save(f"spurs-{'up' if 'up' in use else 'down'}.svg")
    print(use)
    print(frame[["m", "n", "product", "from", "to", "strongest_dbc"]].round(1).head(4).to_string(index=False))

# %% [markdown]
# ![Input intervals of the products of the receiver](python/spurs-down.svg)
#
# ## Errors say what to do

# %%
try:
    model.surround(rf=[mw.Part.reflection(at="imag")])
except mw.InputError as error:
    print(error.exit_code, error.problems[0]["message"], "–", error.problems[0]["help"])

"""Functions for programs: measure and compare files, verify recipes, survey stems, draft a recipe."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from chainrun.api.guard import Name, guarded, path_or_none
from chainrun.api.recipes import Progress, opened_recipe
from chainrun.recipe import Opened

if TYPE_CHECKING:
    from chainrun.comparison.difference import Difference
    from chainrun.measured import Measured
    from chainrun.survey.result import SurveyReport
    from chainrun.survey.write_draft import WrittenDraft
    from chainrun.verify.verdicts import Verdict


@guarded
def measure(file: Name) -> Measured:
    """Measure a file of 1 to 6 channels: loudness (ITU-R BS.1770-5, EBU R 128), peaks, level, image, bands.

    Loudness in LUFS and LU, levels in dBFS and dBTP. Raises AudioError.

    Example:
        found = chainrun.measure("mix.wav")
        print(found.integrated_lufs, found.true_peak_dbtp, found.range_lu)
    """
    from chainrun.measuring import measure_file

    return measure_file(Path(file))


@guarded
def compare(a: Name, b: Name, *, match: bool = True) -> Difference:
    """Compare two mono or stereo files, B aligned in time and matched in loudness unless `match` is False.

    The residual is K-weighted, in LU against A. Raises AudioError.

    Example:
        found = chainrun.compare("before.wav", "mix.wav")
        print(found.residual_lu, found.sentence())
    """
    from chainrun.comparison.difference import difference

    return difference(Path(a), Path(b), match=match)


@guarded
def compare_recipes(
    a: Name,
    b: Name,
    *,
    variant_a: str | None = None,
    variant_b: str | None = None,
    match: bool = True,
    store: Name | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Difference:
    """Render two recipes, or two variants of one, and compare their first deliveries; keeps no files.

    Either may also be an audio file. Raises RecipeError, AudioError, UsageError, ResourceError.

    Example:
        found = chainrun.compare_recipes("song.recipe.toml", "song.recipe.toml", variant_b="loud")
        print(found.gain_db, found.sentence())
    """
    from chainrun.comparison.pairs import Compared
    from chainrun.comparison.pairs import compare_recipes as run
    from chainrun.delivery import RenderOptions

    options = RenderOptions(store=path_or_none(store), workers=workers)
    sides = Compared(Path(a), variant_a), Compared(Path(b), variant_b)
    return run(*sides, options=options, match=match, progress=progress)


@guarded
def verify_recipe(
    recipe: Opened | Name,
    *,
    store: Name | None = None,
    workers: int | None = None,
    out: Name | None = None,
    progress: Progress | None = None,
) -> Verdict:
    """Render a recipe, judge its expectations, and compare it with the baseline beside it.

    `out` is a folder that keeps the render. A render that differs from its baseline is not an error: see `passed`,
    `checks` and `cause` of the verdict. Raises RecipeError, AudioError, ResourceError.

    Example:
        verdict = chainrun.verify_recipe("song.recipe.toml")
        print(verdict.passed, [check.aspect for check in verdict.checks if not check.passed])
    """
    from chainrun.verify.run import VerifyOptions
    from chainrun.verify.run import verify_recipe as run

    return run(opened_recipe(recipe), VerifyOptions(path_or_none(store), workers, path_or_none(out)), progress=progress)


@guarded
def accept_recipe(
    recipe: Opened | Name,
    *,
    with_audio: bool = False,
    store: Name | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Verdict:
    """Render a recipe and write its baseline, which accepts the current sound.

    `with_audio` keeps the deliveries beside it, as FLAC. Raises UsageError for a recipe with overlays or values,
    RecipeError, AudioError, ResourceError.

    Example:
        verdict = chainrun.accept_recipe("song.recipe.toml")
        print(verdict.baseline)
    """
    from chainrun.verify.run import VerifyOptions, accept

    options = VerifyOptions(path_or_none(store), workers)
    return accept(opened_recipe(recipe), options, with_audio=with_audio, progress=progress)


@guarded
def survey_stems(source: Opened | Name, *, reference: str | None = None, workers: int = 1) -> SurveyReport:
    """Survey a recipe's stems, or the audio files of a folder, for faults. Changes nothing.

    `reference` is the stem against which arrival times are measured. Raises RecipeError, AudioError, UsageError.

    Example:
        report = chainrun.survey_stems("song.recipe.toml")
        for advice in report.wrong:
            print(advice.about, advice.text)
    """
    from chainrun.survey.channels import of_folder, of_recipe
    from chainrun.survey.result import survey_report
    from chainrun.survey.survey import survey

    if not isinstance(source, Opened) and Path(source).is_dir():
        return survey_report(survey(of_folder(Path(source)), reference=reference, workers=workers), str(source))
    opened = opened_recipe(source)
    return survey_report(survey(of_recipe(opened), reference=reference, workers=workers), str(opened.path))


@guarded
def draft_recipe(folder: Name, recipe: Name | None = None, *, workers: int | None = None) -> WrittenDraft:
    """Write a first recipe for a folder of stems, with the presets that it uses; never overwrites a file.

    Surveys the stems, and renders once to find a target. Raises UsageError, AudioError, ResourceError.

    Example:
        made = chainrun.draft_recipe("stems", "first.recipe.toml", workers=1)
        print(made.recipe, made.presets)
    """
    from chainrun.survey.write_draft import write_draft

    return write_draft(Path(folder), path_or_none(recipe), workers=workers)

"""The faults that benchmarks/faults.py tries: what each changes and what ought to notice it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """A fault: what it is, its file, a text of it and what that becomes.

    ``problems`` are names of simkit.verification.problems.catalogue.QUICK, ``tests`` files or
    node ids.
    """

    name: str
    file: str
    old: str
    new: str
    problems: tuple[str, ...] = ()
    tests: tuple[str, ...] = ()


KERNELS, SURFACE = "simkit/shell/kernels.py", "simkit/shell/bundle/surface.py"
FLOW = "simkit/shell/bundle/flow.py"
J2, LOG = "simkit/material/j2.py", "simkit/shell/logstrain.py"
CONTACT, EDGES = "simkit/mechanics/contact/tips.py", "simkit/panel/edges.py"
NEWTON = "simkit/solve/nonlinear/newton.py"
POINT, STATICS = "tests/material/test_j2.py", "tests/mechanics/test_statics.py"
TANGENT = "tests/mechanics/test_statics_tangent.py"
WORK = "tests/mechanics/test_sheetwork.py"
SIDE_BY_SIDE = f"{WORK}::test_side_by_side_equals_one_by_one"
BENT = f"{TANGENT}::test_tangent_of_a_strongly_bent_thick_sheet"
BOOKS = f"{STATICS}::test_plastic_work_and_stored_energy_are_the_work_of_the_load"
ENERGY = ("tests/reference_fe/test_reference_fe.py::"
          "test_contact_is_shallow_and_energy_balances[5.0-plate]")
DENTS = "tests/history/test_small_dents.py"
SNAPPING, SNAPS = "simkit/mechanics/stepping/snapping.py", "tests/mechanics/test_snaps.py"
AREA = "test_a_snap_under_a_dead_force_loses_the_area_between_force_and_path"
ARGUMENTS = "tests/panel/test_arguments.py"
OPERATION = "tests/cli/test_run.py::test_every_operation_has_a_row_and_balances_its_energy"
FOLDERS, IMPROBABLE = "tests/hostile/test_strange_folders.py", "tests/hostile/test_improbable.py"
KILLS = "tests/hostile/test_processes.py"
NO_CODE = (f"{KILLS}::test_no_code_of_the_current_folder_runs_"
           "and_an_edited_case_changes_nothing")
VERBS = "tests/hostile/test_newer_verbs.py"
STUDIES = "tests/study/test_study_folder.py"

FAULTS = (
    Fault("second variation of curvature dropped", KERNELS,
          "ke[3 * i + r, 3 * j + c] += left * a3[c] + right * q[i, c]",
          "ke[3 * i + r, 3 * j + c] += 0.0 * (left + right)",
          ("cantilever-shear",), (BENT,)),
    Fault("wrong layer weights", "simkit/shell/section.py",
          "return Layers(0.5 * nodes, 0.5 * weights)",
          "return Layers(0.5 * nodes, 0.0 * weights + 1.0 / count)",
          ("small-square-plate", "strip-springback")),
    Fault("elastic unloading skipped", J2,
          "    if mises0 <= q0 * (1.0 + 1e-12):",
          "    if mises0 <= q0 * (1.0 + 1e-12) and old[3] == 0.0:",
          ("reversed-tension",), (POINT,)),
    Fault("backstress with the wrong sign", J2,
          "        bs += a * old[at]\n", "        bs -= a * old[at]\n",
          ("reversed-tension",), (POINT,)),
    Fault("contact on the wrong face", CONTACT,
          "deep = sizes[0] + offset[k] - distance", "deep = sizes[0] - offset[k] - distance",
          ("plate-under-a-ball", "cap-under-a-ball")),
    Fault("contact face moved the wrong way by thinning", CONTACT,
          "np.exp(-strain / model", "np.exp(strain / model",
          ("plate-under-a-ball", "cap-under-a-ball"), (ENERGY,)),
    Fault("shear transformed without its factor two", "simkit/shell/geometry.py",
          "shear = 2 * np.stack", "shear = 1 * np.stack",
          ("patch-test", "small-square-plate")),
    Fault("bending strain with the wrong sign", KERNELS,
          "k0 = curvature[el, gp, 0] - b[0]", "k0 = b[0] - curvature[el, gp, 0]",
          ("cantilever-shear", "strip-springback")),
    Fault("bundles: bending strain with the wrong sign", SURFACE,
          "store(w, CURVATURE + r, load(w, CURVATURE + r) - dot(w, at, NORMAL))",
          "store(w, CURVATURE + r, dot(w, at, NORMAL) - load(w, CURVATURE + r))",
          ("plate-under-a-ball",), (SIDE_BY_SIDE,)),
    Fault("bundles: a tenth of a bending force lost", SURFACE,
          "store(w, FORCE_FACTORS + 6 + c, nothing - m11 * normal)",
          "store(w, FORCE_FACTORS + 6 + c, nothing - broadcast8(0.9) * m11 * normal)",
          ("cap-under-a-ball",), (SIDE_BY_SIDE,)),
    Fault("bundles: second variation of curvature without its metric",
          "simkit/shell/bundle/tangent.py",
          "s = s + bent * load(w, METRIC + (d if a == d else 2))", "s = s + broadcast8(0.0) * bent",
          (), (f"{WORK}::test_a_kept_tangent_is_the_exact_one_where_it_was_formed",)),
    Fault("tangent without the hardening slope", J2,
          "    fall = slope - h\n", "    fall = slope\n",
          ("tension-and-stretch",), (POINT,)),
    Fault("held edges free to turn", EDGES,
          "HELD = Edge((True, True, True), rotation_held=True)",
          "HELD = Edge((True, True, True), rotation_held=False)",
          ("small-square-plate", "small-circular-plate")),
    Fault("symmetric sides not tied", EDGES,
          "                    ties.append((number[first, axis], number[second, axis]))\n",
          "                    pass\n",
          ("small-square-plate", "convergence-rates")),
    Fault("plane-stress factor 1 / (1 - nu) taken as 1", J2,
          "    d1 = young / (1.0 - nu)\n    shear", "    d1 = young\n    shear",
          ("small-square-plate", "tension-and-stretch"), (POINT,)),
    Fault("logarithmic strain taken for Green's", LOG,
          "    h[0] = 0.5 * math.log(det)\n", "    h[0] = e[0]\n",
          ("patch-test", "tension-and-stretch")),
    Fault("derivative of logarithmic strain wrong", LOG,
          "first[1, 1] = k + 2.0 * d * d * k_r", "first[1, 1] = k",
          ("patch-test", "tension-and-stretch"), (BENT,)),
    Fault("second derivative of logarithmic strain wrong", LOG,
          "td * (6.0 * d * k_r", "td * (2.0 * d * k_r",
          ("tension-and-stretch",), (TANGENT,)),
    Fault("energy held by the glue left out of the books", "simkit/mechanics/stepping/advance.py",
          "loading.given - loading.now.reading.held_Nmm", "loading.given", (), (OPERATION, ENERGY)),
    Fault("plastic work not counted", "simkit/shell/section.py",
          "        spent += w * new[layer, 4]\n", "        spent += 0.0\n",
          (), (BOOKS, WORK, ENERGY)),
    Fault("plastic work counted by half", J2,
          "    work = 0.5 * (q0 + q) * u\n", "    work = 0.25 * (q0 + q) * u\n",
          (), (BOOKS, ENERGY)),
    Fault("convergence too loose: 1e-2 of the force", NEWTON,
          "    force_tolerance: float = 1e-6\n    work_tolerance: float = 1e-9\n",
          "    force_tolerance: float = 1e-2\n    work_tolerance: float = 1e-2\n",
          ("patch-test", "cantilever-shear", "strip-springback", "plate-under-a-ball"),
          (STATICS,)),
    Fault("entries added once where the matrix needs them twice", KERNELS,
          "data[-(at + 2)] += 2.0 * ke[i, j]", "data[-(at + 2)] += ke[i, j]",
          ("small-square-plate",), (f"{TANGENT}::test_symmetric_edge_shares_its_equations",)),
    Fault("kept tangents: entries added once, not twice", "simkit/shell/kept.py",
          "data[-(at + 2)] += 2.0 * change", "data[-(at + 2)] += change",
          ("plate-under-a-ball",), (WORK,)),
    Fault("bundles: shear counted once in the yield stress", FLOW,
          "+ three * x2 * x2)\n", "+ x2 * x2)\n", ("plate-under-a-ball",), (SIDE_BY_SIDE,)),
    Fault("bundles: backstress does not recover", FLOW,
          "after = (before + c * step * xi) / (one + g * u)", "after = before + c * step * xi",
          (), (SIDE_BY_SIDE,)),
    Fault("bundles: tangent without the hardening slope", FLOW,
          "(load(w, SLOPE) - h))\n    for i", "load(w, SLOPE))\n    for i",
          (), (f"{WORK}::test_a_kept_tangent_is_the_exact_one_where_it_was_formed",)),
    Fault("a tab's own motions pull the wrong way",
          "simkit/solve/linear/passage.py",
          "x[i] -= sum8(multiply8(load8_of(real, z0", "x[i] += sum8(multiply8(load8_of(real, z0",
          (), ("tests/solve/test_bordered.py",)),
    Fault("--fresh removes files behind a link", "simkit/folders.py",
          "if leads_outside(one.folder, path) or not place.is_file():",
          "if not place.is_file():", (),
          (f"{FOLDERS}::test_fresh_removes_what_simkit_wrote_and_nothing_else",)),
    Fault("an altered record is taken as it is", "simkit/files.py",
          "if not is_as_written(listed, home[1], data):",
          "if len(data) < 0:", (),
          (f"{FOLDERS}::test_an_altered_record_is_named",)),
    Fault("a folder removed meanwhile is made again", "simkit/files.py",
          "    check_all(path)\n    home", "    home", (),
          (f"{FOLDERS}::test_a_folder_removed_meanwhile_is_not_made_again",)),
    Fault("packed archives are unpacked", "simkit/files.py",
          "if info.compress_type != zipfile.ZIP_STORED or info.file_size != info.compress_size:",
          "if info.file_size < 0:", (),
          (f"{FOLDERS}::test_packed_and_lying_archives_are_not_unpacked",)),
    Fault("a case that was filled in is overwritten", "simkit/record/folder.py",
          "        if not own:\n", "        if own is None:\n", (),
          (f"{FOLDERS}::test_reading_again_keeps_a_case_that_was_filled_in",)),
    Fault("not a number passes a range", "simkit/cli/working.py",
          "if not math.isfinite(found):", "if found is None:", (),
          (f"{IMPROBABLE}::test_not_a_number_passes_no_flag",)),
    Fault("one hinged edge holds a panel", "simkit/case/improbable.py",
          "if stiffness < LEAST_STIFFNESS_SHARE * FIRM_N_PER_MM:", "if stiffness < 0.0:", (),
          (f"{IMPROBABLE}::test_check_names_what_cannot_be_meant",)),
    Fault("a goal below the noise passes", "simkit/case/improbable.py",
          "if height < noise:", "if height < 0.0:", (),
          (f"{IMPROBABLE}::test_check_names_what_cannot_be_meant",)),
    Fault("a mesh of any size passes", "simkit/checks/size.py",
          "if size.elements <= MOST_ELEMENTS and not too_large:", "if size.elements > 0:",
          (),
          (f"{IMPROBABLE}::test_check_names_what_cannot_be_meant",)),
    Fault("modules of the current folder are imported", "simkit/aside.py",
          'if first == "" or os.path.abspath(first) == os.getcwd():', 'if first == "":',
          (),
          (NO_CODE,)),
    Fault("workers search the current folder", "simkit/study/workers.py",
          'os.environ["PYTHONSAFEPATH"] = "1"', 'os.environ.pop("PYTHONSAFEPATH", None)',
          (),
          (NO_CODE,)),
    Fault("workers outlive their parent", "simkit/study/workers.py",
          "    os._exit(1)\n", "    return\n", (),
          (f"{KILLS}::test_a_killed_comparison_leaves_no_orphan_and_goes_on",)),
    Fault("a dent that is not there counts as found", "simkit/inspection/match.py",
          "ok = close_by or (beyond and off <= max(criteria.tolerance_mm, share))", "ok = True",
          (), (f"{DENTS}::test_a_panel_without_the_dent_is_not_matched_and_never_flat",)),
    Fault("a panel that was not measured is called flat", "simkit/repair/session.py",
          'return replace(row, flat=False, stage="")', "return row",
          (), (f"{DENTS}::test_a_panel_without_the_dent_is_not_matched_and_never_flat",)),
    Fault("elements stay too large for a small dent", "simkit/spline/basis.py",
          "    if not short:\n", "    if short or not short:\n",
          (), (f"{DENTS}::test_a_mesh_too_coarse_for_a_dent_is_made_finer_and_says_so",)),
    Fault("hail falls between the samples", "simkit/dent/field.py",
          "step = self.detail_mm or _spacing(self.places_mm)", "step = 40.0",
          (), (f"{DENTS}::test_hail_on_a_wide_panel_has_all_its_spots",)),
    Fault("a dent that was not measured may stand out", "simkit/inspection/match.py",
          "    if worst > most and not faults:", "    if worst > 100.0 * most and not faults:",
          (), (f"{DENTS}::test_what_was_not_measured_must_not_stand_out",)),
    Fault("a slip of the gauge is believed", "simkit/history/learning.py",
          "SLIP_STANDARD_ERRORS = 4.5\n", "SLIP_STANDARD_ERRORS = 450.0\n", (),
          ("tests/history/test_learning.py",)),
    Fault("a snap books half of its loss", SNAPPING,
          "lost = 0.5 * work_of(before.force + left, moved)",
          "lost = 0.5 * work_of(left, moved)", (), (f"{SNAPS}::{AREA}",)),
    Fault("a snap's stages as long as they will go", SNAPPING,
          "if after is None or _missed(now.point, after) > TRAPEZOID_ERROR_SHARE:",
          "if after is None:",
          (), (SNAPS,)),
    Fault("books that miss are let pass", "simkit/mechanics/stepping/advance.py",
          "    reason = (f\"the energy error is",
          "    return done\n    reason = (f\"the energy error is",
          (), (f"{SNAPS}::test_books_that_do_not_balance_are_an_outcome_and_the_panel_stays",)),
    Fault("a jump in a release taken for springback", "simkit/mechanics/stepping/release.py",
          "sure = not stages or abs(missing) <= process.may_miss(point, given)", "sure = True",
          (), ("tests/history/test_deepest_blow.py",)),
    Fault("a predicted shape believed however far it lies",
          "simkit/mechanics/stepping/prediction.py",
          "self.sure = free is None or self.doubtful(point)", "self.sure = free is None", (),
          ("tests/mechanics/test_two_shapes.py::"
           "test_a_search_stops_before_the_snap_although_it_follows_the_other_shape",)),
    Fault("the last increment as loose as those before", "simkit/mechanics/stepping/loading.py",
          "self.tool, after.travel, after.x, ends=True)", "self.tool, after.travel, after.x)",
          (), (f"{SNAPS}::test_the_last_increment_is_computed_to_the_tolerance_of_an_end",)),
    Fault("symmetry about an oblique plane let pass", EDGES, "SYMMETRY_SLANT_SHARE = 0.5",
          "SYMMETRY_SLANT_SHARE = 1e300",
          (), (ARGUMENTS,)),
    Fault("a place off the panel taken to its rim", "simkit/inspection/sampling.py",
          "    if not inside:", "    if x != x:", (), (ARGUMENTS,)),
    Fault("several lows taken for one in their middle", "simkit/history/search.py",
          "w = np.where(_one_piece(trials, w > 0.0, k), w, 0.0)", "w = 1.0 * w",
          (), ("tests/history/test_lows_apart.py",)),
    Fault("a study's folder is not taken", "simkit/study/study.py",
          "    mine(folder)\n    mark =", "    mark =", (),
          (f"{STUDIES}::test_every_file_is_listed_with_its_digest",)),
    Fault("two studies share a folder", "simkit/folders.py",
          "    until = time.monotonic() + patience_s\n", "    return\n", (),
          (f"{STUDIES}::test_two_at_once_do_not_share_a_study",)),
    Fault("a study's altered inputs are taken as they are", "simkit/study/jobs.py",
          "                read_back(folder / path)\n", "                continue\n", (),
          (f"{STUDIES}::test_what_was_altered_is_made_again",)),
    Fault("a short closed crease is not read", "simkit/dent/outlines.py",
          "    except np.linalg.LinAlgError:\n        values",
          "    except KeyError:\n        values", (), ("tests/dent/test_closed_crease.py",)),
    Fault("a report is written over somebody's page", "simkit/cli/working.py",
          "        if not data.lstrip().startswith(start) or word not in data:",
          "        if data == b\"x\":",
          (), (VERBS,)),
    Fault("a try that was refused stays", "simkit/study/attempt.py",
          "        if not remove_own(mark(folder)):", "        if folder is None:", (), (VERBS,)),
)

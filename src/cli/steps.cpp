#include "cli/steps.hpp"

#include <malloc.h>

#include <cstdio>

#include "base/text.hpp"
#include "cli/commands.hpp"
#include "cli/progress.hpp"

namespace broadloom::cli {

namespace {

void say_plan(const RenderPlan& p) {
    const Canvas& c = p.canvas;
    std::fprintf(stderr, "canvas   %lld x %lld px (%.4g gigapixels), %.2f x %.2f degrees, %s\n",
                 static_cast<long long>(c.width), static_cast<long long>(c.height),
                 static_cast<double>(c.width) * static_cast<double>(c.height) / 1e9,
                 c.right_deg - c.left_deg, c.top_deg - c.bottom_deg,
                 c.surface == Surface::sphere ? "sphere" : "cylinder");
    std::fprintf(stderr, "frames   %lld used, %lld left out\n",
                 static_cast<long long>(p.frames_used), static_cast<long long>(p.frames_left_out));
    std::fprintf(stderr, "tiles    %lld in %d levels\n", static_cast<long long>(p.tiles), p.levels);
    std::fprintf(stderr, "disk     about %s needed, %s free\n", format_bytes(p.disk_bytes).c_str(),
                 format_bytes(p.free_disk_bytes).c_str());
    std::fprintf(stderr, "memory   at most %s (%s would do), %d thread%s\n",
                 format_bytes(p.memory_budget_bytes).c_str(),
                 format_bytes(p.least_memory_bytes).c_str(), p.threads, p.threads == 1 ? "" : "s");
    std::fprintf(stderr, "time     about %s\n", format_duration(p.seconds).c_str());
}

void say_note(const std::string& note) { std::fprintf(stderr, "note     %s\n", note.c_str()); }

/// Hooks that tell on standard error; the line must outlive them.
WorkHooks hooks_for(ProgressLine& line) {
    WorkHooks hooks;
    hooks.stop = &stop_signal;
    hooks.progress = [&line](const WorkProgress& p) { line.show(p); };
    hooks.note = [&line](const std::string& note) {
        line.clear();
        say_note(note);
    };
    return hooks;
}

/// Runs a step; the bar is gone when it ends, however it ends.
template <typename Step>
auto with_line(const Step& step) {
    ProgressLine line;
    try {
        auto result = step(line);
        line.clear();
        return result;
    } catch (...) {
        line.clear();
        throw;
    }
}

void say_findings(const std::vector<Finding>& findings) {
    constexpr size_t kShown = 12;
    for (size_t i = 0; i < findings.size() && i < kShown; ++i) {
        const Finding& f = findings[i];
        std::fprintf(stderr, "check    %s: %s %s%s%s; %s\n",
                     f.frame.empty() ? "the set" : escaped(f.frame).c_str(), f.what.c_str(),
                     escaped(f.value).c_str(), f.usual.empty() ? "" : ", usual ",
                     escaped(f.usual).c_str(), f.effect.c_str());
    }
    if (findings.size() > kShown) {
        std::fprintf(stderr, "check    and %zu more, on the contact sheet\n",
                     findings.size() - kShown);
    }
}

}  // namespace

void give_back_large_buffers() {
    mallopt(M_MMAP_THRESHOLD, 256 << 10);
    mallopt(M_TRIM_THRESHOLD, 128 << 10);
    malloc_trim(0);
}

void keep_large_buffers() {
    mallopt(M_MMAP_THRESHOLD, 32 << 20);
    mallopt(M_TRIM_THRESHOLD, 1 << 30);
}

std::optional<int64_t> memory_option(const std::string& text) {
    if (text.empty()) return std::nullopt;
    const auto bytes = parse_size(text);
    if (!bytes) {
        throw Error(ErrorCode::usage,
                    "--memory: \"" + escaped(text) + "\" is not a size; give one like 512M or 2G");
    }
    return bytes;
}

int threads_option(int value, bool given) {
    if (given && (value < 1 || value > 1024)) {
        throw Error(ErrorCode::usage, "--threads: must be 1 to 1024");
    }
    return value;
}

void no_such_choice(const std::string& option, const std::string& word,
                    const std::vector<std::string_view>& words) {
    std::string all;
    for (const std::string_view w : words) all += (all.empty() ? "" : ", ") + std::string(w);
    throw Error(ErrorCode::usage,
                option + ": there is no \"" + escaped(word) + "\"; use one of " + all);
}

GatherReport run_gather(const GatherOptions& options) {
    keep_large_buffers();
    GatherReport r =
        with_line([&](ProgressLine& line) { return gather(options, hooks_for(line)); });
    say_findings(r.findings);
    if (r.findings.empty()) std::fprintf(stderr, "check    the camera stayed locked\n");
    std::fprintf(stderr, "frames   %lld used, %lld left out\n",
                 static_cast<long long>(r.frames_used), static_cast<long long>(r.frames_left_out));
    if (r.rows) {
        std::fprintf(stderr, "grid     %lld rows x %lld columns, shot %s\n",
                     static_cast<long long>(*r.rows), static_cast<long long>(r.columns.value_or(0)),
                     r.order.c_str());
    }
    for (const std::string& gap : r.gaps) {
        std::fprintf(stderr, "gap      no frame for %s\n", gap.c_str());
    }
    std::fprintf(stderr, "view     %.2f degrees across a frame, from %s\n", r.field_of_view_deg,
                 escaped(r.field_of_view_source).c_str());
    std::fprintf(stderr, "look     %s (contact sheet); the scene is %s\n",
                 escaped(r.contact_sheet.native()).c_str(), escaped(r.scene_file.native()).c_str());
    return r;
}

AlignReport run_align(const AlignOptions& options) {
    keep_large_buffers();
    AlignReport r = with_line([&](ProgressLine& line) { return align(options, hooks_for(line)); });
    for (const std::string& note : r.notes) say_note(note);
    std::fprintf(stderr, "placed   %lld of %lld frames by matches, %lld by the head's steps\n",
                 static_cast<long long>(r.placed_by_matches), static_cast<long long>(r.frames),
                 static_cast<long long>(r.placed_by_head));
    int64_t moved = 0;
    int64_t matches = 0;
    for (const PairReport& p : r.pairs) {
        moved += p.moved;
        matches += p.matches;
    }
    std::fprintf(
        stderr,
        "error    %.2f px RMS, %.2f px at most, of %lld matches in %zu pairs (%lld more on "
        "what moved are left aside)\n",
        r.rms_px, r.max_px, static_cast<long long>(matches), r.pairs.size(),
        static_cast<long long>(moved));
    for (const CameraReport& c : r.cameras) {
        std::fprintf(stderr, "view     %.2f degrees across a frame, %.2f expected (%s)\n",
                     c.found_fov_deg, c.expected_fov_deg, escaped(c.name).c_str());
    }
    std::fprintf(stderr, "light    overlaps differ by %.3f stops, %.3f after evening out\n",
                 r.spread_before_stops, r.spread_after_stops);
    std::fprintf(stderr, "look     %s; the scene is %s\n", escaped(r.page.native()).c_str(),
                 escaped(r.scene_file.native()).c_str());
    return r;
}

RenderReport run_render(const Scene& scene, const RenderOptions& options) {
    give_back_large_buffers();
    const std::string folder = escaped(options.out.native());
    RenderReport report = with_line([&](ProgressLine& line) {
        RenderHooks hooks{hooks_for(line), say_plan};
        return render(scene, options, hooks);
    });
    if (report.already_finished && report.repaired_tiles + report.repaired_files > 0) {
        std::fprintf(stderr, "repaired %s and %s; %s is whole again\n",
                     count_of(report.repaired_tiles, "tile").c_str(),
                     count_of(report.repaired_files, "file").c_str(), folder.c_str());
        return report;
    }
    if (report.already_finished && options.resume) {
        std::fprintf(stderr, "%s already holds this very result, whole; nothing to do\n",
                     folder.c_str());
        return report;
    }
    if (report.already_finished) {
        std::fprintf(stderr, "%s already holds this very result; nothing to do\n", folder.c_str());
        return report;
    }
    std::fprintf(stderr, "done     in %s (%.1f megapixels a second), memory at most %s\n",
                 format_duration(report.seconds).c_str(), report.megapixels / report.seconds,
                 format_bytes(report.peak_memory_bytes).c_str());
    std::fprintf(stderr, "look     %s/index.html (opens in a browser), %s/pano.tif\n",
                 folder.c_str(), folder.c_str());
    return report;
}

VerifyReport run_verify(const VerifyOptions& options) {
    keep_large_buffers();
    VerifyReport r =
        with_line([&](ProgressLine& line) { return verify(options, hooks_for(line)); });
    for (const std::string& note : r.notes) say_note(note);
    std::fprintf(stderr, "picture  %lld x %lld px, %lld tiles\n", static_cast<long long>(r.width),
                 static_cast<long long>(r.height), static_cast<long long>(r.tiles));
    if (options.quick) {
        std::fprintf(stderr,
                     "sample   %lld tiles with those below them (--seed %llu), of the others head "
                     "and end\n",
                     static_cast<long long>(r.tiles_checked),
                     static_cast<unsigned long long>(r.seed));
    }
    if (r.damaged == 0) {
        std::fprintf(stderr, "whole    %s in %s\n",
                     r.checksums ? "checksums, levels and TIFF agree"
                                 : "levels and TIFF agree (there are no checksums)",
                     format_duration(r.seconds).c_str());
    }
    return r;
}

}  // namespace broadloom::cli

#include "align/summary.hpp"

#include <algorithm>
#include <cmath>

namespace broadloom {
namespace {

double field_of_view_deg(const Camera& c) {
    return 2 * std::atan(0.5 * static_cast<double>(c.width) / c.focal_px) * kDegPerRad;
}

struct Sum {
    double squares = 0, max = 0;
    int64_t count = 0;
    void add(double error) {
        squares += error * error;
        max = std::max(max, error);
        ++count;
    }
    [[nodiscard]] double rms() const {
        return count > 0 ? std::sqrt(squares / static_cast<double>(count)) : 0;
    }
};

}  // namespace

void summarize(const Scene& scene, const FrameSet& set, const SolveResult& solution,
               const std::vector<PairLink>& links, AlignReport& report) {
    std::vector<Sum> by_frame(set.frames.size());
    std::vector<int64_t> pairs_of(set.frames.size());
    Sum all;
    for (const PairLink& link : links) {
        if (!solution.rotations[link.a] || !solution.rotations[link.b]) continue;
        const AlignFrame& a = set.frames[link.a];
        const AlignFrame& b = set.frames[link.b];
        Sum sum;
        for (const Match& m : link.matches) {
            const auto error =
                reprojection(solution.cameras[a.camera], *solution.rotations[link.a],
                             solution.cameras[b.camera], *solution.rotations[link.b], m);
            if (!error) continue;
            const double e = std::hypot(error->x, error->y);
            sum.add(e);
            all.add(e);
            by_frame[link.a].add(e);
            by_frame[link.b].add(e);
        }
        PairReport p;
        p.a = a.scene_index;
        p.b = b.scene_index;
        p.matches = sum.count;
        p.moved = static_cast<int64_t>(link.tentative - link.matches.size());
        p.rms_px = sum.rms();
        p.max_px = sum.max;
        report.pairs.push_back(p);
        ++pairs_of[link.a];
        ++pairs_of[link.b];
    }
    report.rms_px = all.rms();
    report.max_px = all.max;
    std::vector<double> rms;
    for (const PairReport& p : report.pairs) rms.push_back(p.rms_px);
    std::sort(rms.begin(), rms.end());
    const double usual = rms.empty() ? 0 : rms[rms.size() / 2];
    // Few matches, or far worse than most pairs of this set.
    constexpr int64_t kFew = 15;
    for (PairReport& p : report.pairs) {
        p.weak = p.matches < kFew || (p.rms_px > 1 && p.rms_px > 3 * usual);
    }
    report.frames = static_cast<int64_t>(set.frames.size());
    for (size_t i = 0; i < set.frames.size(); ++i) {
        FrameReport f;
        f.frame = set.frames[i].scene_index;
        f.file = scene.frames[set.frames[i].scene_index].file;
        const bool placed = solution.rotations[i].has_value();
        f.placed_by = !placed ? "" : solution.by_matches[i] ? "matches" : "head";
        f.pairs = pairs_of[i];
        f.matches = by_frame[i].count;
        f.rms_px = by_frame[i].rms();
        f.max_px = by_frame[i].max;
        f.low_confidence =
            f.placed_by != "matches" || f.matches < kFew || (f.rms_px > 1 && f.rms_px > 3 * usual);
        report.placed_by_matches += f.placed_by == "matches" ? 1 : 0;
        report.placed_by_head += f.placed_by == "head" ? 1 : 0;
        report.frame_reports.push_back(f);
    }
    for (size_t c = 0; c < set.cameras.size(); ++c) {
        CameraReport camera;
        camera.name = set.camera_names[c];
        camera.expected_fov_deg = field_of_view_deg(set.cameras[c]);
        camera.found_fov_deg = field_of_view_deg(solution.cameras[c]);
        camera.radial = solution.cameras[c].radial;
        camera.principal_point_px = solution.cameras[c].principal_point();
        report.cameras.push_back(camera);
    }
    if (solution.groups > 1) {
        report.groups.resize(solution.groups);
        for (size_t i = 0; i < set.frames.size(); ++i) {
            if (solution.group[i] < solution.groups) {
                report.groups[solution.group[i]].push_back(report.frame_reports[i].file);
            }
        }
        std::stable_sort(report.groups.begin(), report.groups.end(),
                         [](const auto& a, const auto& b) { return a.size() > b.size(); });
    }
}

}  // namespace broadloom

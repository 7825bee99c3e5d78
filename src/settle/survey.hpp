/// One look at every frame, each decoded once: what the coarse solution needs of it.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "broadloom/scene.hpp"
#include "broadloom/work.hpp"
#include "canvas/frame_geometry.hpp"
#include "image/colour_stage.hpp"
#include "io/frame_reader.hpp"
#include "settle/coarse_frame.hpp"
#include "settle/local_shift.hpp"
#include "settle/spill.hpp"

namespace broadloom {

/// A used frame's file.
struct SettleFrame {
    std::filesystem::path path;
    std::string name;  ///< printable, for messages
    FrameInfo info;    ///< orientation as the scene has it
    /// To sRGB, whatever the output's colours are; null: the frame is in sRGB.
    std::shared_ptr<const ColourStage> stage;
};

/// The coarse canvas of a scene: the step is the largest power of two that leaves the frames'
/// shorter side (as the canvas shows it) at least 256 coarse pixels and, first of all, the canvas
/// at most 32 million.
CoarseCanvas coarse_canvas_of(const Scene& scene);

std::string pack_bytes(const CoarseFrame& frame);
void unpack_bytes(std::string_view bytes, CoarseFrame& frame);
size_t held_bytes(const CoarseFrame& frame);
std::string pack_bytes(const std::vector<Patch>& patches);
void unpack_bytes(std::string_view bytes, std::vector<Patch>& patches);
size_t held_bytes(const std::vector<Patch>& patches);

/// What the survey found, by frame.
class CoarseSurvey final : public CoarseFrames {
  public:
    CoarseSurvey(size_t count, size_t budget_bytes, const std::filesystem::path& scratch);

    [[nodiscard]] size_t count() const override { return rects_.size(); }
    [[nodiscard]] Rect rect(size_t frame) const override { return rects_[frame]; }
    [[nodiscard]] std::shared_ptr<const CoarseFrame> get(size_t frame) const override;
    [[nodiscard]] const PatchSource& patches() const { return patches_; }

    /// A frame put again replaces itself; nobody may get() it meanwhile.
    void put(size_t frame, CoarseFrame coarse);
    void put(size_t frame, std::vector<Patch> patches);
    /// No patches are asked for any more: frames may be held in `budget_bytes`.
    void hold_frames_only(size_t budget_bytes);

  private:
    SpillFile file_;
    std::vector<Rect> rects_;
    mutable SpilledList<CoarseFrame> frames_;
    struct Patches final : PatchSource {
        Patches(size_t count, size_t budget_bytes, SpillFile& file)
            : list(count, budget_bytes, file) {}
        [[nodiscard]] std::shared_ptr<const std::vector<Patch>> get(size_t frame) const override {
            return list.get(frame);
        }
        mutable SpilledList<std::vector<Patch>> list;
    };
    Patches patches_;
};

/// Memory that one worker needs for these frames, and what the survey leaves on disk at most;
/// bytes.
size_t survey_worker_bytes(const std::vector<SettleFrame>& frames, const CoarseCanvas& coarse);
int64_t survey_disk_bytes(const std::vector<FrameGeometry>& geometry, const CoarseCanvas& coarse);

/// Decodes and looks at all frames. `lattice` may be null: no patches. Frames with fields are
/// looked at as they are without. Deterministic for any number of workers. Throws what
/// decode_frame() throws, Error{machine} for the scratch file, and as WorkMeter when stopped.
void survey_frames(const std::vector<SettleFrame>& frames,
                   const std::vector<FrameGeometry>& geometry, const CoarseCanvas& coarse,
                   const PatchLattice* lattice, const Kernels& kernels, int workers,
                   const WorkHooks& hooks, CoarseSurvey& survey);

}  // namespace broadloom

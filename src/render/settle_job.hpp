/// The coarse solution of a render: found anew, taken up again, or another result's.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "blend/seam_labels.hpp"
#include "render/job.hpp"
#include "render/output_folder.hpp"
#include "settle/settle.hpp"

namespace broadloom {

SettleOptions settle_options(const RenderOptions& options);

/// The used frames' files as the survey takes them.
std::vector<SettleFrame> survey_frames_of(const RenderJob& job);

/// What the coarse solution needs of memory, besides what the process holds, and of disk; bytes. 0
/// when nothing is to be decided.
struct SettleNeeds {
    int64_t memory = 0, disk = 0;
    double seconds = 0;  ///< in units of decoding a megapixel
};
SettleNeeds settle_needs(const Scene& scene, const RenderJob& job);

/// Takes what an interrupted run of the job left in the folder, or options.like's, or decides, and
/// leaves it in the folder under its working name. Throws Error{usage} when options.like's is of
/// another scene.
Settled settle_job(const Scene& scene, const RenderJob& job, const OutputFolder& folder,
                   const Kernels& kernels, const WorkHooks& hooks);

/// Gives the job's frames their fields, foretells from the labels which frames each leaf needs, and
/// returns the rule that labels pixels.
std::unique_ptr<const SeamLabels> adopt(const Settled& settled, RenderJob& job);

/// What was found, in sentences.
std::vector<std::string> settle_notes(const Settled& settled, const RenderOptions& options);

}  // namespace broadloom

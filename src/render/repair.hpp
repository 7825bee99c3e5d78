/// Builds again what is damaged in a finished result, and nothing else. The bytes come out as they
/// were: each rebuilt file is held against its checksum before it takes its place.
#pragma once

#include <cstdint>
#include <functional>
#include <string>

#include "broadloom/render.hpp"
#include "image/kernels.hpp"
#include "io/sha256.hpp"
#include "render/job.hpp"
#include "render/output_folder.hpp"
#include "settle/settle.hpp"

namespace broadloom {

/// What the files that are no pictures hold.
struct RepairTexts {
    std::string descriptor, page;
    std::function<std::string(const Settled&)> seams;               ///< empty text: there are none
    std::function<std::string(const Sha256Sum& checksums)> report;  ///< for one that is lost
};

struct Repaired {
    int64_t tiles = 0, files = 0;  ///< that were built again
};

/// Compares every file of the finished result in `folder` with its checksum, renders the leaves
/// below damaged tiles and replaces what is damaged. A tile on a high level needs all leaves below
/// it; results whose tiles overlap or do not lie on the TIFF's are rendered as a whole. Throws
/// Error{damage} for what cannot be repaired, Error{input} when a rebuilt tile is not the one that
/// was rendered, and what rendering throws; whatever was replaced by then is whole.
Repaired repair_result(const Scene& scene, RenderJob& job, const OutputFolder& folder,
                       const Kernels& kernels, const RepairTexts& texts, const RenderHooks& hooks);

}  // namespace broadloom

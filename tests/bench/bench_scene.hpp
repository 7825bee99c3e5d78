/// Grids of other sizes from the frames that make_bench_shoot made.
#pragma once

#include <cstdint>
#include <filesystem>

namespace broadloom::test {

/// Writes FOLDER/grid-CxR.json unless it is there, and returns its path: columns x rows frames from
/// the middle of FOLDER/scene.json; more columns than it has are its own again, further round the
/// horizon, each a file of its own (a hard link), so that no program knows them again.
std::filesystem::path bench_scene(const std::filesystem::path& folder, int64_t columns,
                                  int64_t rows);

}  // namespace broadloom::test

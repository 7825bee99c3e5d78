/// Cuts the cells of one pyramid level, which come in any order, into windows that do not coincide
/// with them (tiles with an overlap; TIFF tiles whose side is a multiple of 16 when the cells' is
/// not). A cell waits in a scratch file until every window that touches it has been cut, so memory
/// stays constant whatever the picture's width; slots of the file are reused.
#pragma once

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "broadloom/pyramid.hpp"

namespace broadloom {

/// Pixels of 4 bytes (R, G, B, unused) or, in deep pictures, of 8 (R, G, B, alpha of 16 bits each);
/// rows of `stride` bytes.
struct PictureView {
    const uint8_t* data = nullptr;
    int64_t width = 0, height = 0;
    std::ptrdiff_t stride = 0;
};

class Regrid {
  public:
    /// `scratch`: the file to use (created, deleted on destruction; opened lazily). Windows are
    /// those of `windows` (its tile_rect for every level, column and row); cells those of `cells`.
    /// Both have the same width and height. `pixel_bytes`: of a pixel.
    Regrid(std::filesystem::path scratch, const PyramidShape& cells, const PyramidShape& windows,
           int64_t pixel_bytes = 4);
    ~Regrid();
    Regrid(const Regrid&) = delete;
    Regrid& operator=(const Regrid&) = delete;

    using Emit =
        std::function<void(int level, int64_t column, int64_t row, const PictureView& window)>;

    /// Adds one cell and cuts, in row-major order, every window that is complete now. Windows of a
    /// level come exactly once each, in an order that depends on the order of the cells alone.
    /// A window's pixels are valid during the call of `emit` only. Each cell is added exactly once;
    /// one that still waits and comes again, or has another size than its place, throws
    /// Error{internal}. Throws Error{machine} on I/O errors.
    void add(int level, int64_t column, int64_t row, const PictureView& cell, const Emit& emit);

    /// Bytes of the scratch file at its largest so far.
    [[nodiscard]] int64_t scratch_bytes() const;

    /// Upper bound of the scratch file (for disk estimates) for a children-first walk that takes
    /// the four children in row-major order. Then the cells to the left and above come before a
    /// cell, and windows that span at most k + 1 cells leave at most k cells waiting on each
    /// diagonal. On a level whose short side is s cells and p the next power of two, the walk
    /// finishes one p x p square after the other, so that only p + k + s - 1 diagonals matter: k (p
    /// + k + s - 1) cells.
    static int64_t scratch_bound(const PyramidShape& cells, const PyramidShape& windows,
                                 int64_t pixel_bytes = 4);

  private:
    struct State;
    std::unique_ptr<State> state_;
};

}  // namespace broadloom

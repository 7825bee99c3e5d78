/// Shoots made up for tests: a head that walks a grid, and what matching its frames would tell.
#pragma once

#include <cstdint>
#include <optional>
#include <utility>
#include <vector>

#include "gather/arrangement.hpp"

namespace broadloom::testing {

struct StepBack {
    int64_t after = 0;   ///< cell of the shooting order after which the head is stepped back
    int64_t frames = 1;  ///< by how many
};

struct GridShoot {
    std::vector<int64_t> columns{6, 6, 6, 6};  ///< of each row, from the top
    ShootOrder order;
    double width_deg = 24, height_deg = 16;  ///< true field of view
    double overlap = 0.3;
    double top_pitch_deg = 0;          ///< added to rows that are centred on the horizon
    bool round = false;                ///< columns go round the circle
    std::vector<StepBack> step_backs;  ///< in shooting order
    std::vector<int64_t> missing;      ///< cells of the shooting order without a frame
    std::vector<int64_t> plain_rows;   ///< rows without texture
    std::vector<int64_t> plain_columns;
    double plain_share = 0;  ///< other frames without texture, drawn at random
    double wrong_share = 0;  ///< displacements that are wrong
    double aim_deg = 0.3;    ///< standard deviation
    double backlash_deg = 0.1;
    double view_error = 0;     ///< share by which the field of view is misstated
    bool across_lines = true;  ///< frames of different lines are matched
    uint64_t seed = 1;
};

struct ShotFrame {
    int64_t row = 0, column = 0;
    double yaw_deg = 0, pitch_deg = 0;  ///< nominal
    bool plain = false;                 ///< no texture
};

struct MadeShoot {
    ArrangementInput input;
    std::vector<ShotFrame> truth;  ///< by frame
};

MadeShoot make_grid_shoot(const GridShoot& shoot);

/// Even rows.
std::vector<int64_t> even_columns(int64_t rows, int64_t columns);

}  // namespace broadloom::testing

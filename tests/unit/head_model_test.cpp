#include "align/head_model.hpp"

#include <catch2/catch.hpp>
#include <random>

#include "scene/rotation_math.hpp"

using namespace broadloom;

namespace {

struct Head {
    double yaw_step = 18, pitch_step = 12, roll = 1, backlash = 0, aim = 0.05;
    double nominal_yaw_step = 20, nominal_pitch_step = 13;
    Rotation tilt = Rotation::from_yaw_pitch_roll_deg(70, 4, -3);  ///< of the groups' system
    bool back_and_forth = false;
    unsigned seed = 3;
};

/// Six rows of ten columns, row by row, with where the head went in `truth`, in the head's system.
std::vector<HeadFrame> shoot(const Head& head, std::vector<Rotation>& truth) {
    std::mt19937 random(head.seed);
    std::normal_distribution<double> normal;
    std::vector<HeadFrame> out;
    for (int64_t row = 0; row < 6; ++row) {
        for (int64_t i = 0; i < 10; ++i) {
            const bool back = head.back_and_forth && row % 2 == 1;
            const int64_t column = back ? 9 - i : i;
            const double across = static_cast<double>(column) - 4.5;
            const double up = 2.5 - static_cast<double>(row);
            HeadFrame frame;
            frame.row = row;
            frame.column = column;
            frame.nominal = Rotation::from_yaw_pitch_roll_deg(across * head.nominal_yaw_step,
                                                              up * head.nominal_pitch_step, 0);
            // The first frame of a row is reached by the pitch axis alone: its yaw keeps the slack
            // of the row before.
            const bool still_before = head.back_and_forth && i == 0 && row > 0;
            const double way = (back != still_before) ? -1 : 1;
            truth.push_back(Rotation::from_yaw_pitch_roll_deg(
                across * head.yaw_step + way * head.backlash + head.aim * normal(random),
                up * head.pitch_step + head.aim * normal(random),
                head.roll + head.aim * normal(random)));
            frame.solved = head.tilt * truth.back();
            out.push_back(frame);
        }
    }
    return out;
}

double off_deg(const Rotation& a, const Rotation& b) {
    return rotation_angle(a.inverse() * b) * kDegPerRad;
}

}  // namespace

TEST_CASE("The head's true steps, roll and repeatability are found", "[solve][head]") {
    std::vector<Rotation> truth;
    const std::vector<HeadFrame> frames = shoot({}, truth);
    const auto model = fit_head(frames, false);
    REQUIRE(model.has_value());
    // 60 frames that repeat to 0.05 degrees.
    CHECK_THAT(model->yaw_scale, Catch::WithinAbs(18.0 / 20, 0.002));
    CHECK_THAT(model->pitch_scale, Catch::WithinAbs(12.0 / 13, 0.004));
    CHECK_THAT(model->roll_rad * kDegPerRad, Catch::WithinAbs(1, 0.1));
    CHECK(model->held == 60);
    for (const double sigma : model->sigma_rad) {
        CHECK(sigma * kDegPerRad > 0.03);
        CHECK(sigma * kDegPerRad < 0.07);
    }
    // The head's system is upright although the matches' was not.
    REQUIRE(model->head_from_group[0].has_value());
    for (size_t i = 0; i < frames.size(); ++i) {
        const Rotation placed = *model->head_from_group[0] * *frames[i].solved;
        CHECK(off_deg(*model->predicted[i], placed) < 0.3);
    }
    CHECK(off_deg(Rotation(), *model->head_from_group[0] * Head().tilt) < 0.3);
    CHECK(off_deg(*frames[0].nominal, truth[0]) > 5);  // control: the plan is far off
}

TEST_CASE("Frames without matches and a few wrong ones are predicted by the others",
          "[solve][head]") {
    std::vector<Rotation> truth;
    std::vector<HeadFrame> frames = shoot({}, truth);
    for (size_t i = 0; i < frames.size(); i += 5) frames[i].solved.reset();
    for (size_t i = 7; i < frames.size(); i += 20) {
        frames[i].solved = Rotation::from_yaw_pitch_roll_deg(9, -7, 5) * *frames[i].solved;
    }
    const auto model = fit_head(frames, false);
    REQUIRE(model.has_value());
    const Rotation common = truth[1] * (*model->head_from_group[0] * *frames[1].solved).inverse();
    for (size_t i = 0; i < frames.size(); ++i) {
        CHECK(off_deg(common * *model->predicted[i], truth[i]) < 0.4);
    }
    CHECK(off_deg(*frames[7].solved, Head().tilt * truth[7]) > 5);
}

TEST_CASE("Backlash shows where rows go back and forth", "[solve][head]") {
    Head head;
    head.backlash = 0.25;
    head.back_and_forth = true;
    std::vector<Rotation> truth;
    const auto model = fit_head(shoot(head, truth), false);
    REQUIRE(model.has_value());
    CHECK_THAT(model->yaw_backlash_rad * kDegPerRad, Catch::WithinAbs(0.25, 0.05));
    CHECK(model->sigma_rad[1] * kDegPerRad < 0.08);

    head.backlash = 0;  // control
    truth.clear();
    const auto without = fit_head(shoot(head, truth), false);
    CHECK_THAT(without->yaw_backlash_rad * kDegPerRad, Catch::WithinAbs(0, 0.03));
}

TEST_CASE("Two groups that lie askew to each other are brought into one system", "[solve][head]") {
    std::vector<Rotation> truth;
    std::vector<HeadFrame> frames = shoot({}, truth);
    const Rotation askew = Rotation::from_yaw_pitch_roll_deg(-33, 12, 25);
    for (HeadFrame& frame : frames) {
        if (*frame.column < 6) continue;
        frame.group = 1;
        frame.solved = askew * *frame.solved;
    }
    const auto model = fit_head(frames, false);
    REQUIRE(model.has_value());
    REQUIRE(model->head_from_group.size() == 2);
    const Rotation between =
        model->head_from_group[0]->inverse() * *model->head_from_group[1] * askew;
    CHECK(off_deg(between, Rotation()) < 0.2);
}

TEST_CASE("There is no model without two frames that hang together", "[solve][head]") {
    std::vector<Rotation> truth;
    std::vector<HeadFrame> frames = shoot({}, truth);
    for (size_t i = 0; i < frames.size(); ++i) {
        if (i != 4 && i != 5) frames[i].solved.reset();
    }
    CHECK(fit_head(frames, false).has_value());
    frames[5].solved.reset();
    CHECK_FALSE(fit_head(frames, false).has_value());
    CHECK_FALSE(fit_head({}, false).has_value());
}

TEST_CASE("Nominal places run down from row 0 and right from column 0", "[solve][head]") {
    const std::vector<std::pair<std::optional<int64_t>, std::optional<int64_t>>> cells{
        {0, 0}, {1, 2}, {std::nullopt, 1}};
    const auto places = nominal_places(cells, 20, 10);
    CHECK(off_deg(*places[0], Rotation::from_yaw_pitch_roll_deg(-20, 5, 0)) < 1e-9);
    CHECK(off_deg(*places[1], Rotation::from_yaw_pitch_roll_deg(20, -5, 0)) < 1e-9);
    CHECK_FALSE(places[2].has_value());
}

// Makes a folder of photographs as off a card, and the truth about it:
//   make_card FOLDER [KEY=VALUE...]
// writes FOLDER/card/*.jpg, FOLDER/truth.json (the exact scene) and FOLDER/card.txt (a line for
// each file in the order taken: file, row, column, second, and what is special about it). Keys are
// those of CardOptions (rows, columns, width, height, field_of_view_deg ...); and
//   order=columns|rows[,up][,left][,back-and-forth]
//   retakes=PLACE:BACK[,PLACE:BACK...]
//   k1, v2, v4           lens and vignetting
//   fine_contrast=2      more detail in the texture (1): larger files
//   picture=FILE         photographs this picture instead of a made-up texture
#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <exception>
#include <map>
#include <memory>
#include <sstream>
#include <stdexcept>
#include <string>

#include "support/card_shoot.hpp"

namespace {

using namespace broadloom;
using test::CardOptions;

ShootOrder order_of(const std::string& text) {
    ShootOrder order;
    std::stringstream words(text);
    for (std::string word; std::getline(words, word, ',');) {
        if (word == "rows" || word == "columns") {
            order.by_column = word == "columns";
        } else if (word == "up") {
            order.down = false;
        } else if (word == "left") {
            order.right = false;
        } else if (word == "back-and-forth") {
            order.back_and_forth = true;
        } else {
            throw std::runtime_error("order: no such word: " + word);
        }
    }
    return order;
}

std::vector<test::CardRetake> retakes_of(const std::string& text) {
    std::vector<test::CardRetake> retakes;
    std::stringstream parts(text);
    for (std::string part; std::getline(parts, part, ',');) {
        const size_t colon = part.find(':');
        if (colon == std::string::npos) throw std::runtime_error("retakes: want PLACE:BACK");
        retakes.push_back({std::stoul(part.substr(0, colon)), std::stoul(part.substr(colon + 1))});
    }
    return retakes;
}

CardOptions options_of(std::map<std::string, std::string>& values) {
    CardOptions o;
    const std::map<std::string, int64_t*> whole{{"rows", &o.rows},
                                                {"columns", &o.columns},
                                                {"width", &o.width},
                                                {"height", &o.height},
                                                {"passers_by", &o.passers_by}};
    const std::map<std::string, double*> numbers{{"field_of_view_deg", &o.field_of_view_deg},
                                                 {"overlap", &o.overlap},
                                                 {"middle_pitch_deg", &o.middle_pitch_deg},
                                                 {"aim_error_deg", &o.aim_error_deg},
                                                 {"roll_error_deg", &o.roll_error_deg},
                                                 {"backlash_deg", &o.backlash_deg},
                                                 {"k1", o.radial.data()},
                                                 {"v2", o.vignetting.data()},
                                                 {"v4", &o.vignetting[1]},
                                                 {"focal_misstatement", &o.focal_misstatement},
                                                 {"gain_spread_stops", &o.gain_spread_stops},
                                                 {"gain_drift_stops", &o.gain_drift_stops},
                                                 {"noise_levels", &o.noise_levels},
                                                 {"textureless_share", &o.textureless_share}};
    const std::map<std::string, bool*> switches{{"all_round", &o.all_round},
                                                {"shuffled_names", &o.shuffled_names}};
    for (const auto& [key, value] : values) {
        if (const auto w = whole.find(key); w != whole.end()) {
            *w->second = std::stoll(value);
        } else if (const auto n = numbers.find(key); n != numbers.end()) {
            *n->second = std::stod(value);
        } else if (const auto s = switches.find(key); s != switches.end()) {
            *s->second = value == "1" || value == "yes";
        } else if (key == "order") {
            o.order = order_of(value);
        } else if (key == "retakes") {
            o.retakes = retakes_of(value);
        } else if (key == "quality") {
            o.quality = std::stoi(value);
        } else if (key == "seed") {
            o.seed = static_cast<uint32_t>(std::stoul(value));
        } else if (key != "picture" && key != "fine_contrast") {
            throw std::runtime_error("there is no key " + key);
        }
    }
    return o;
}

void write_list(const test::Card& card, const std::filesystem::path& file) {
    std::FILE* out = std::fopen(file.c_str(), "w");
    if (out == nullptr) throw std::runtime_error("cannot write " + file.string());
    for (const test::CardFrame& f : card.frames) {
        std::fprintf(out, "%s %lld %lld %lld%s%s%s\n", f.file.c_str(),
                     static_cast<long long>(f.row), static_cast<long long>(f.column),
                     static_cast<long long>(f.seconds), f.retaken ? " retaken" : "",
                     f.spoilt ? " spoilt" : "", f.textureless ? " textureless" : "");
    }
    std::fclose(out);
}

}  // namespace

int main(int argc, char** argv) {
    if (argc < 2) {
        std::fprintf(stderr, "usage: make_card FOLDER [KEY=VALUE...]\n");
        return 2;
    }
    try {
        std::map<std::string, std::string> values;
        for (int i = 2; i < argc; ++i) {
            const std::string word = argv[i];
            const size_t equals = word.find('=');
            if (equals == std::string::npos) throw std::runtime_error("want KEY=VALUE: " + word);
            values[word.substr(0, equals)] = word.substr(equals + 1);
        }
        const std::filesystem::path folder = argv[1];
        test::Card card = test::plan_card(options_of(values));
        const double pixel_deg = test::card_pixel_deg(card.options);
        test::Picture picture;
        std::unique_ptr<test::CardWorld> world;
        if (values.count("picture") != 0) {
            picture = test::load_picture(values["picture"]);
            const double scale = test::picture_scale(card, picture);
            std::fprintf(stderr, "%.2f pixels of the picture in one of a frame\n",
                         scale * pixel_deg);
            world = std::make_unique<test::PictureWorld>(picture, scale);
        } else {
            const auto contrast = values.find("fine_contrast");
            world = std::make_unique<test::TextureWorld>(
                pixel_deg, card.options.seed,
                contrast == values.end() ? 1.0 : std::stod(contrast->second));
        }
        const auto start = std::chrono::steady_clock::now();
        test::shoot_card(card, *world, folder);
        write_scene(card.truth, folder / "truth.json");
        write_list(card, folder / "card.txt");
        const double seconds =
            std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
        std::fprintf(stderr, "%zu frames, %.1f megapixels, %.1f s\n", card.frames.size(),
                     1e-6 * static_cast<double>(card.frames.size()) *
                         static_cast<double>(card.options.width * card.options.height),
                     seconds);
    } catch (const std::exception& e) {
        std::fprintf(stderr, "make_card: %s\n", e.what());
        return 1;
    }
    return 0;
}

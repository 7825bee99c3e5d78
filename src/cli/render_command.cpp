#include <locale>
#include <memory>
#include <sstream>

#include "base/text.hpp"
#include "broadloom/error.hpp"
#include "broadloom/render.hpp"
#include "cli/commands.hpp"
#include "cli/steps.hpp"

namespace broadloom::cli {

namespace {

struct Arguments {
    std::string scene, out, memory, background;
    std::string pass = "full", chroma = "420", instruction_set = "auto";
    std::string seams = "fine", light = "even", uncovered = "background", colour = "srgb";
    std::string crop, like;
    double scale = 0;
    RenderOptions options;
    int bands = 0, tiff_bits = 0;
};

std::array<uint8_t, 3> parse_colour(const std::string& text) {
    std::string digits = text;
    if (!digits.empty() && digits[0] == '#') digits.erase(0, 1);
    if (digits.size() != 6 ||
        digits.find_first_not_of("0123456789abcdefABCDEF") != std::string::npos) {
        throw Error(ErrorCode::usage,
                    "--background: \"" + escaped(text) +
                        "\" is not a colour; give six hexadecimal digits like 2e2e2e");
    }
    const auto value = std::stoul(digits, nullptr, 16);
    return {static_cast<uint8_t>(value >> 16), static_cast<uint8_t>(value >> 8),
            static_cast<uint8_t>(value)};
}

/// "inside", or four numbers LEFT,TOP,RIGHT,BOTTOM followed by "deg" or "px".
Crop parse_crop(const std::string& text) {
    Crop crop;
    if (text.empty()) return crop;
    if (text == "inside") {
        crop.kind = Crop::Kind::inside;
        return crop;
    }
    const auto refuse = [&] {
        throw Error(ErrorCode::usage,
                    "--crop: \"" + escaped(text) +
                        "\" is neither \"inside\" nor LEFT,TOP,RIGHT,BOTTOM with deg or px behind, "
                        "like -30,12,45,-8deg or 0,0,9000,4000px");
    };
    std::istringstream in(text);
    in.imbue(std::locale::classic());
    double* const sides[4] = {&crop.left, &crop.top, &crop.right, &crop.bottom};
    for (int i = 0; i < 4; ++i) {
        char comma = ',';
        if (!(in >> *sides[i]) || (i < 3 && (!(in >> comma) || comma != ','))) refuse();
    }
    std::string unit;
    in >> unit;
    if (unit != "deg" && unit != "px") refuse();
    std::string rest;
    if (in >> rest) refuse();
    crop.kind = unit == "deg" ? Crop::Kind::degrees : Crop::Kind::pixels;
    return crop;
}

void run(const Arguments& a) {
    RenderOptions o = a.options;
    o.out = a.out;
    o.pass = choice<Pass>("--pass", a.pass, {{"full", Pass::full}, {"draft", Pass::draft}});
    o.chroma = choice<Chroma>("--chroma", a.chroma, {{"420", Chroma::c420}, {"444", Chroma::c444}});
    o.instruction_set = choice<InstructionSet>("--instruction-set", a.instruction_set,
                                               {{"auto", InstructionSet::automatic},
                                                {"plain", InstructionSet::plain},
                                                {"sse4", InstructionSet::sse4},
                                                {"avx2", InstructionSet::avx2},
                                                {"avx512", InstructionSet::avx512},
                                                {"neon", InstructionSet::neon}});
    o.memory_bytes = memory_option(a.memory);
    o.seams = choice<Seams>("--seams", a.seams, {{"fine", Seams::fine}, {"simple", Seams::simple}});
    o.even_light = choice<bool>("--light", a.light, {{"even", true}, {"as-is", false}});
    o.uncovered =
        choice<Uncovered>("--uncovered", a.uncovered,
                          {{"background", Uncovered::background}, {"alpha", Uncovered::alpha}});
    o.colour = choice<OutputColour>("--colour", a.colour,
                                    {{"srgb", OutputColour::srgb},
                                     {"display-p3", OutputColour::display_p3},
                                     {"adobe-rgb", OutputColour::adobe_rgb}});
    o.crop = parse_crop(a.crop);
    o.like = a.like;
    if (!a.background.empty()) o.background = parse_colour(a.background);

    const Scene scene = read_scene(a.scene, SceneNeeds::orientations);
    run_render(scene, o);
}

}  // namespace

void add_render(CLI::App& app) {
    auto a = std::make_shared<Arguments>();
    CLI::App* sub = app.add_subcommand(
        "render", "Renders a scene to web tiles, a pyramidal TIFF and a page that shows them.");
    sub->add_option("SCENE", a->scene, "The scene file (JSON)")->required();
    sub->add_option("--out", a->out, "Folder for the result; absent or empty before")->required();
    sub->add_option("--pass", a->pass, "full: blended, final quality; draft: hard cuts, half size");
    CLI::Option* scale =
        sub->add_option("--scale", a->scale, "Size against the scene's own (full 1, draft 0.5)");
    sub->add_option("--memory", a->memory, "Memory limit like 512M or 2G (half of the machine's)");
    CLI::Option* threads =
        sub->add_option("--threads", a->options.threads, "Threads (all processors)");
    sub->add_option("--tile", a->options.tile, "Side of a tile, pixels (512)");
    sub->add_option("--overlap", a->options.overlap, "Pixels that tiles share with neighbours (0)");
    sub->add_option("--quality", a->options.quality, "JPEG quality 1..100 (90)");
    sub->add_option("--chroma", a->chroma, "Chroma subsampling: 420 or 444 (420)");
    CLI::Option* bands =
        sub->add_option("--bands", a->bands, "Bands of the blend, 1..8 (by frame size)");
    sub->add_option("--background", a->background, "Colour where no frame is, RRGGBB (2e2e2e)");
    sub->add_option("--seams", a->seams,
                    "fine: go round what moved; simple: half-way between frames (fine)");
    sub->add_option("--shift-limit", a->options.shift_limit_px,
                    "Most that pixels are moved so that neighbours meet; 0: off (6)");
    sub->add_option("--light", a->light,
                    "even: spread left-over exposure differences; as-is: leave them (even)");
    sub->add_option("--like", a->like,
                    "A result of the same scene whose seams and corrections are used");
    CLI::Option* bits = sub->add_option("--tiff-bits", a->tiff_bits,
                                        "Bits a sample of the TIFF, 8 or 16 (as the frames)");
    sub->add_option("--uncovered", a->uncovered,
                    "Where no frame is, the TIFF holds: background or alpha (background)");
    sub->add_option("--colour", a->colour,
                    "The TIFF's colours: srgb, display-p3 or adobe-rgb (srgb)");
    sub->add_option("--crop", a->crop,
                    "inside: the largest full rectangle; or LEFT,TOP,RIGHT,BOTTOM and deg or px");
    sub->add_flag("--show-seams", a->options.show_seams,
                  "The page can show which frame each place is from");
    sub->add_flag("--location", a->options.location,
                  "Carry where the frames were taken into the outputs");
    sub->add_option("--instruction-set", a->instruction_set,
                    "auto, plain, sse4, avx2, avx512 or neon; the bytes are the same (auto)");
    sub->add_flag("--resume", a->options.resume, "Finish an interrupted render of the same scene");
    sub->footer(
        "Example:\n  broadloom render sample_inputs/scene.json --out out/draft --pass draft");
    sub->callback([a, scale, bands, bits, threads] {
        if (scale->count() > 0) a->options.scale = a->scale;
        if (bands->count() > 0) a->options.bands = a->bands;
        if (bits->count() > 0) a->options.tiff_bits = a->tiff_bits;
        a->options.threads = threads_option(a->options.threads, threads->count() > 0);
        run(*a);
    });
}

}  // namespace broadloom::cli

#include "cli/picture_options.hpp"

#include <array>
#include <locale>
#include <sstream>

#include "base/text.hpp"
#include "broadloom/error.hpp"
#include "cli/steps.hpp"

namespace broadloom::cli {

namespace {

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

}  // namespace

void add_picture_options(CLI::App& sub, PictureArguments& a) {
    sub.add_option("--quality", a.options.quality, "JPEG quality 1..100 (90)");
    sub.add_option("--chroma", a.chroma, "Chroma subsampling: 420 or 444 (420)");
    sub.add_option("--background", a.background, "Colour where no frame is, RRGGBB (2e2e2e)");
    sub.add_option("--seams", a.seams,
                   "fine: go round what moved; simple: half-way between frames (fine)");
    sub.add_option("--shift-limit", a.options.shift_limit_px,
                   "Most that pixels are moved so that neighbours meet; 0: off (6)");
    sub.add_option("--light", a.light,
                   "even: spread left-over exposure differences; as-is: leave them (even)");
    a.bits_option = sub.add_option("--tiff-bits", a.tiff_bits,
                                   "Bits a sample of the TIFF, 8 or 16 (as the frames)");
    sub.add_option("--uncovered", a.uncovered,
                   "Where no frame is, the TIFF holds: background or alpha (background)");
    sub.add_option("--colour", a.colour,
                   "The TIFF's colours: srgb, display-p3 or adobe-rgb (srgb)");
    sub.add_option("--crop", a.crop,
                   "inside: the largest full rectangle; or LEFT,TOP,RIGHT,BOTTOM and deg or px");
    sub.add_flag("--show-seams", a.options.show_seams,
                 "The page can show which frame each place is from");
    sub.add_flag("--location", a.options.location,
                 "Carry where the frames were taken into the outputs");
}

RenderOptions finish_picture_options(const PictureArguments& a) {
    RenderOptions o = a.options;
    o.chroma = choice<Chroma>("--chroma", a.chroma, {{"420", Chroma::c420}, {"444", Chroma::c444}});
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
    if (!a.background.empty()) o.background = parse_colour(a.background);
    if (a.bits_option->count() > 0) o.tiff_bits = a.tiff_bits;
    return o;
}

}  // namespace broadloom::cli

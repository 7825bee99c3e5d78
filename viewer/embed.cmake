# cmake -DSOURCE=viewer -DLIBRARY=openseadragon's package -DOUTPUT=page_template.cpp -P embed.cmake
# Joins the page's parts and writes them as a C++ source.
cmake_minimum_required(VERSION 3.25)

file(READ ${SOURCE}/page.html page)
file(READ ${SOURCE}/page.css style)
file(READ ${SOURCE}/page.js script)
file(READ ${SOURCE}/frame_geometry.js geometry)
file(READ ${SOURCE}/seam_lines.js lines)
file(READ ${SOURCE}/seam_view.js seams)
file(READ ${LIBRARY}/build/openseadragon/openseadragon.min.js library)
file(READ ${LIBRARY}/LICENSE.txt licence)

# The map of the minified source is not shipped.
string(REGEX REPLACE "\n//# sourceMappingURL=[^\n]*" "" library "${library}")

# Text set into <script> or <style> must not be able to end or disturb it.
foreach(part style script geometry lines seams library licence)
  string(TOLOWER "${${part}}" lower)
  foreach(forbidden "</script" "<script" "</style" "<!--" "@@")
    string(FIND "${lower}" "${forbidden}" at)
    if(NOT at EQUAL -1)
      message(FATAL_ERROR "the page's ${part} contains ${forbidden}, which cannot stand inside it")
    endif()
  endforeach()
endforeach()
string(FIND "${licence}" "*/" at)
if(NOT at EQUAL -1)
  message(FATAL_ERROR "openseadragon's licence would end the comment that carries it")
endif()

# set_in(@@name@@ text): replaces the one place of that name.
function(set_in place text)
  string(FIND "${page}" "${place}" first)
  string(FIND "${page}" "${place}" last REVERSE)
  if(first EQUAL -1 OR NOT first EQUAL last)
    message(FATAL_ERROR "page.html must hold ${place} exactly once")
  endif()
  string(REPLACE "${place}" "${text}" page "${page}")
  set(page "${page}" PARENT_SCOPE)
endfunction()
set_in("@@style@@" "${style}")
set_in("@@library@@" "/*! openseadragon\n\n${licence}*/\n${library}")
set_in("@@geometry@@" "${geometry}")
set_in("@@lines@@" "${lines}")
set_in("@@seams@@" "${seams}")
set_in("@@script@@" "${script}")

# Bytes, because a string literal may not be this long everywhere.
file(WRITE ${OUTPUT}.txt "${page}")
file(READ ${OUTPUT}.txt bytes HEX)
file(REMOVE ${OUTPUT}.txt)
string(REGEX REPLACE "(................................)" "\\1\n" bytes "${bytes}")
string(REGEX REPLACE "([0-9a-f][0-9a-f])" "0x\\1," bytes "${bytes}")
file(WRITE ${OUTPUT}
  "#include \"viewer/page_template.hpp\"\n\n"
  "namespace broadloom {\n\nnamespace {\n"
  "const unsigned char kPage[] = {\n${bytes}\n};\n}  // namespace\n\n"
  "std::string_view page_template() {\n"
  "    return {reinterpret_cast<const char*>(kPage), sizeof(kPage)};\n}\n\n"
  "}  // namespace broadloom\n")

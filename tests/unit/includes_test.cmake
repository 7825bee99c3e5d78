# cmake -DSOURCE=... -DWORK=... -P includes_test.cmake: includes go down the floors, never up and never
# to a sibling, and each third-party library stays in its place. Ends with wrong includes that must be
# found.
cmake_minimum_required(VERSION 3.25)

# What each floor may include of the house, besides itself.
set(may_base "")
set(may_image base)
set(may_scene base image)
set(may_pyramid base image)
set(may_canvas base image scene)
set(may_io base image pyramid viewer)
set(may_blend base image scene canvas)
set(may_match base image scene io)
set(may_gather base image scene io match)
set(may_align base image scene canvas io match)
set(may_settle base image scene canvas io blend)
set(may_render base image scene pyramid canvas io blend settle)
set(may_cli ${may_render} render match gather align)
set(may_viewer "")

# The floor of each public header: the one that defines what it declares.
set(owner_error base)
set(owner_rect base)
set(owner_instruction_set image)
set(owner_rotation scene)
set(owner_camera scene)
set(owner_photometry scene)
set(owner_scene scene)
set(owner_pyramid pyramid)
set(owner_canvas canvas)
set(owner_render render)
set(owner_verify render)
set(owner_work base)
set(owner_gather gather)
set(owner_align align)

# Header, and the files that may include it.
set(confined
  "^vips/" "^src/io/frame"
  "^turbojpeg\\.h$" "^src/io/(jpeg|frame)"
  "^(tiffio|tiff)\\.h$" "^src/io/(photo_tags|raw|tiff_reader)"
  "^(tiffio\\.hxx|jpeglib\\.h|png\\.h)" "^$"
  "^libdeflate\\.h$" "^src/io/deflate_tile"
  "^libexif/" "^src/io/photo_tags"
  "^libraw/" "^src/io/raw"
  "^openssl/" "^src/io/sha256\\.cpp$"
  "^lcms2" "^src/io/colour_profile\\.cpp$"
  "^pugixml\\.hpp$" "^src/gather/"
  "^opencv2/" "^src/match/"
  "^(ceres|Eigen)/" "^src/align/"
  "^nlohmann/" "^src/(scene|render|align)/"
  "^CLI/" "^src/cli/"
  "^hwy/" "^src/image/"
  "^omp\\.h$" "^src/base/parallel\\.cpp$")

# Problems of the tree under `root`, a line each.
function(find_problems root result)
  set(problems "")
  file(GLOB_RECURSE files RELATIVE ${root}
    ${root}/src/*.cpp ${root}/src/*.hpp ${root}/include/*.hpp ${root}/viewer/*.hpp)
  list(LENGTH files count)
  if(count LESS 20)
    message(FATAL_ERROR "only ${count} sources under ${root}: this test looks in the wrong place")
  endif()
  foreach(file ${files})
    # The floor that the file belongs to.
    if(file MATCHES "^src/([^/]+)/")
      set(floor ${CMAKE_MATCH_1})
    elseif(file MATCHES "^include/broadloom/([^/]+)\\.hpp$")
      set(floor ${owner_${CMAKE_MATCH_1}})
    else()
      set(floor viewer)
    endif()
    if(NOT floor OR NOT DEFINED may_${floor})
      list(APPEND problems "${file}: its floor is not in tests/unit/includes_test.cmake")
      continue()
    endif()

    # One name, one type: two of one name in two headers meet in one program sooner or later.
    if(file MATCHES "\\.hpp$" AND NOT file MATCHES "_simd\\.hpp$")
      file(STRINGS ${root}/${file} types REGEX "^(struct|class|enum class) [A-Za-z0-9]+[^;]*$")
      foreach(type ${types})
        string(REGEX MATCH "^(struct|class|enum class) ([A-Za-z0-9]+)" type "${type}")
        set(type ${CMAKE_MATCH_2})
        if(DEFINED defined_${type})
          list(APPEND problems "${file}: ${type} is defined in ${defined_${type}} too")
        endif()
        set(defined_${type} ${file})
      endforeach()
    endif()

    file(STRINGS ${root}/${file} lines REGEX "^[ \t]*#[ \t]*(include|pragma[ \t]+omp)")
    foreach(line ${lines})
      if(line MATCHES "pragma")
        if(NOT file STREQUAL "src/base/parallel.cpp")
          list(APPEND problems "${file}: an OpenMP loop outside src/base/parallel.cpp")
        endif()
        continue()
      endif()
      if(NOT line MATCHES "include[ \t]*([<\"])([^>\"]+)[>\"]")
        continue()  # a macro's name
      endif()
      set(quote "${CMAKE_MATCH_1}")
      set(header "${CMAKE_MATCH_2}")
      if(quote STREQUAL "\"")
        if(header MATCHES "^broadloom/([^/]+)\\.hpp$")
          set(target "${owner_${CMAKE_MATCH_1}}")
        elseif(header MATCHES "^([a-z_]+)/[^/]+\\.hpp$")
          set(target "${CMAKE_MATCH_1}")
          if(file MATCHES "^include/")
            list(APPEND problems "${file}: a public header includes the private ${header}")
          endif()
        else()
          list(APPEND problems "${file}: ${header} is not written as floor/name.hpp")
          continue()
        endif()
        if(NOT target STREQUAL floor AND NOT target IN_LIST may_${floor})
          list(APPEND problems "${file}: ${floor} may not include ${header} (of ${target})")
        endif()
        continue()
      endif()

      set(rest ${confined})
      set(known FALSE)
      while(rest)
        list(POP_FRONT rest pattern place)
        if(header MATCHES "${pattern}")
          set(known TRUE)
          if(NOT file MATCHES "${place}")
            list(APPEND problems "${file}: <${header}> is not for this file")
          endif()
        endif()
      endwhile()
      if(NOT known AND header MATCHES "/|\\.hpp$" AND NOT header MATCHES "^(sys|linux)/")
        list(APPEND problems "${file}: the place of <${header}> is not in tests/unit/includes_test.cmake")
      endif()
    endforeach()
  endforeach()
  set(${result} "${problems}" PARENT_SCOPE)
endfunction()

find_problems(${SOURCE} problems)
if(problems)
  list(JOIN problems "\n  " text)
  message(FATAL_ERROR "wrong includes:\n  ${text}")
endif()

# Each of these lines, added to a copy, must be found and nothing else.
set(controls
  "src/base/text.cpp" "#include \"image/kernels.hpp\"" "base may not include image/kernels.hpp"
  "src/image/shrink.cpp" "#include \"broadloom/render.hpp\"" "image may not include broadloom/render.hpp"
  "src/scene/camera.cpp" "#include \"pyramid/quadtree.hpp\"" "scene may not include pyramid/quadtree.hpp"
  "src/io/deep_zoom.cpp" "#include \"broadloom/scene.hpp\"" "io may not include broadloom/scene.hpp"
  "src/blend/block.cpp" "#include \"io/frame_reader.hpp\"" "blend may not include io/frame_reader.hpp"
  "src/render/job.cpp" "#include \"cli/progress.hpp\"" "render may not include cli/progress.hpp"
  "src/render/job.cpp" "#include \"../io/page.hpp\"" "not written as floor/name.hpp"
  "include/broadloom/rect.hpp" "#include \"base/text.hpp\"" "a public header includes the private"
  "src/io/deep_zoom.cpp" "#include <vips/vips.h>" "<vips/vips.h> is not for this file"
  "src/render/job.cpp" "  #  include <turbojpeg.h>" "<turbojpeg.h> is not for this file"
  "src/io/tiff_pyramid.cpp" "#include <tiffio.h>" "<tiffio.h> is not for this file"
  "src/canvas/canvas.cpp" "#include <nlohmann/json.hpp>" "<nlohmann/json.hpp> is not for this file"
  "src/render/job.cpp" "#include <CLI/CLI.hpp>" "<CLI/CLI.hpp> is not for this file"
  "src/blend/block.cpp" "#include <hwy/highway.h>" "<hwy/highway.h> is not for this file"
  "src/render/job.cpp" "#include <omp.h>" "<omp.h> is not for this file"
  "src/render/job.cpp" "#pragma omp parallel" "OpenMP loop outside"
  "src/render/job.cpp" "#include <opencv2/core.hpp>" "<opencv2/core.hpp> is not for this file"
  "src/render/job.cpp" "#include <ceres/ceres.h>" "<ceres/ceres.h> is not for this file"
  "src/io/tiff_pyramid.cpp" "#include <libdeflate.h>" "<libdeflate.h> is not for this file"
  "src/io/deep_zoom.cpp" "#include <libraw/libraw.h>" "<libraw/libraw.h> is not for this file"
  "src/io/deep_zoom.cpp" "#include <libexif/exif-data.h>" "<libexif/exif-data.h> is not for this file"
  "src/io/deep_zoom.cpp" "#include <lcms2.h>" "<lcms2.h> is not for this file"
  "src/io/deep_zoom.cpp" "#include <openssl/evp.h>" "<openssl/evp.h> is not for this file"
  "src/settle/survey.hpp" "struct QuadNode {" "QuadNode is defined in"
  "src/render/job.cpp" "#include <boost/any.hpp>" "the place of <boost/any.hpp>")
file(REMOVE_RECURSE ${WORK})
foreach(folder src include viewer)
  file(COPY ${SOURCE}/${folder} DESTINATION ${WORK}
    FILES_MATCHING PATTERN "*.hpp" PATTERN "*.cpp" PATTERN node_modules EXCLUDE)
endforeach()
while(controls)
  list(POP_FRONT controls file line expected)
  if(NOT EXISTS ${WORK}/${file})
    message(FATAL_ERROR "control: there is no ${file}; choose another file for this line")
  endif()
  file(READ ${WORK}/${file} text)
  file(WRITE ${WORK}/${file} "${text}\n${line}\n")
  find_problems(${WORK} problems)
  file(WRITE ${WORK}/${file} "${text}")
  list(LENGTH problems count)
  string(FIND "${problems}" "${expected}" at)
  if(NOT count EQUAL 1 OR at LESS 0)
    message(FATAL_ERROR "control: ${line} in ${file} should be found once; found: ${problems}")
  endif()
endwhile()
file(REMOVE_RECURSE ${WORK})

-- A crew's rig: a car or van that tows a chute from dairy to dairy.
--
-- What differs from crew to crew stands in rig_values.lua, written anew for each build (see rig.py, which explains the
-- values and their units). Speeds are what one does on average on such a road, not what is allowed; by class of road
-- they are common practice for rural roads, capped by what is posted, by the surface, and by the rig's own top speed.
-- Hence no way is ever faster with a chute than without.

api_version = 4

Set = require('lib/set')
Sequence = require('lib/sequence')
local Obstacles = require('lib/obstacles')
local Measure = require('lib/measure')
local get_turn_lanes = require('lib/guidance').get_turn_lanes
local set_classification = require('lib/guidance').set_classification
require('lib/way_handlers')

local rig = require('rig_values')

local speeds = {
  motorway = 100, motorway_link = 50, trunk = 85, trunk_link = 45, primary = 70, primary_link = 35,
  secondary = 60, secondary_link = 30, tertiary = 50, tertiary_link = 25, unclassified = 40, residential = 28,
  road = 30, living_street = 10, service = 15, track = 12,
}
local track_speeds = { grade1 = 25, grade2 = 18, grade3 = 12, grade4 = 8, grade5 = 5 }
local surface_speeds = {
  compacted = 60, fine_gravel = 50, gravel = 30, unpaved = 30, ground = 15, dirt = 15, earth = 15, grass = 8, sand = 8,
  mud = 5, cobblestone = 25, sett = 30, pebblestone = 25,
}
local ferry_speed = 5
-- What a drive over ways for their own farms, or over farm tracks, must save (seconds) before one turns into them to come
-- out again. Not a ban: two farms on the same forest track still go by road where the track takes far longer.
local shortcut_must_save = 600

local closed = Set { 'no', 'psv', 'bus', 'emergency', 'military', 'foot', 'bicycle', 'official' }
-- Ways that one takes to the farm that lies on them, and to get nowhere else. A hoof trimmer is on farm business.
local ends_only = Set { 'private', 'destination', 'customers', 'delivery', 'residents', 'permit', 'agricultural',
  'forestry' }
local open_barriers = Set { 'cattle_grid', 'border_control', 'toll_booth', 'sally_port', 'no', 'entrance', 'kerb' }
local gates = Set { 'gate', 'lift_gate', 'swing_gate', 'sliding_gate' }

function setup()
  return {
    properties = {
      weight_name = 'rig_seconds',
      max_speed_for_map_matching = 180 / 3.6,
      process_call_tagless_node = false,
      u_turn_penalty = rig.u_turn_seconds,
      continue_straight_at_waypoint = false, -- at a farm one turns round in the yard
      use_turn_restrictions = rig.turn_restrictions,
      traffic_signal_penalty = rig.signal_seconds,
    },
    default_mode = mode.driving,
    restrictions = Sequence { 'motorcar', 'motor_vehicle', 'vehicle' },
    classes = Sequence { 'ferry', 'tunnel', 'restricted' },
    suffix_list = {},
    relation_types = Sequence {},
  }
end

local function first_tag(element, keys)
  for _, key in ipairs(keys) do
    local value = element:get_value_by_key(key)
    if value then return value end
  end
end

local function access_of(element)
  return first_tag(element, { 'motorcar', 'motor_vehicle', 'vehicle', 'access' })
end

function process_node(profile, node, result, relations)
  local access = access_of(node)
  local barrier = node:get_value_by_key('barrier')
  if barrier and gates[barrier] and not (access and closed[access]) then
    obstacle_map:add(node, Obstacle.new(obstacle_type.gate, obstacle_direction.both, rig.gate_seconds, 0))
  elseif access and closed[access] then
    obstacle_map:add(node, Obstacle.new(obstacle_type.barrier))
  elseif barrier == 'height_restrictor' then
    local height = Measure.get_max_height(node:get_value_by_key('maxheight'), node)
    if height and height < rig.height_m then
      obstacle_map:add(node, Obstacle.new(obstacle_type.barrier))
    end
  elseif barrier and not access and not open_barriers[barrier] then
    obstacle_map:add(node, Obstacle.new(obstacle_type.barrier))
  end
  if rig.signal_seconds > 0 and node:get_value_by_key('highway') == 'traffic_signals' then
    Obstacles.process_node(profile, node)
  end
end

-- Whether the rig is too big for the way.
local function is_too_small(way)
  local function beyond(keys, parse, own)
    local value = first_tag(way, keys)
    local limit = value and parse(value, way)
    return limit and limit < own
  end
  return beyond({ 'maxheight:physical', 'maxheight' }, Measure.get_max_height, rig.height_m)
      or beyond({ 'maxwidth:physical', 'maxwidth' }, Measure.get_max_width, rig.width_m)
      or beyond({ 'maxlength' }, Measure.get_max_length, rig.length_m)
      or beyond({ 'maxweightrating', 'maxweight' }, Measure.get_max_weight, rig.weight_kg)
      or (rig.towing and (way:get_value_by_key('trailer') == 'no' or way:get_value_by_key('caravan') == 'no'))
end

local function speed_of(way, highway)
  local speed = speeds[highway]
  if highway == 'track' then
    speed = track_speeds[way:get_value_by_key('tracktype') or ''] or speed
  end
  local posted = Measure.get_max_speed(way:get_value_by_key('maxspeed'))
  if posted and posted > 0 then speed = math.min(speed, posted) end
  local surface = way:get_value_by_key('surface')
  if surface and surface_speeds[surface] then speed = math.min(speed, surface_speeds[surface]) end
  speed = math.min(speed, rig.top_kmh)
  if highway == 'track' or highway == 'service' then speed = math.min(speed, rig.yard_kmh) end
  return speed
end

function process_way(profile, way, result, relations)
  local highway = way:get_value_by_key('highway')
  local is_ferry = way:get_value_by_key('route') == 'ferry'
  if not is_ferry and not speeds[highway or ''] then return end
  if way:get_value_by_key('area') == 'yes' or way:get_value_by_key('impassable') == 'yes' then return end

  local access = access_of(way)
  if access and closed[access] or is_too_small(way) then return end
  if is_ferry and not first_tag(way, { 'motorcar', 'motor_vehicle' }) then return end

  result.forward_mode = is_ferry and mode.ferry or mode.driving
  result.backward_mode = result.forward_mode
  local oneway = first_tag(way, { 'oneway:motorcar', 'oneway:motor_vehicle', 'oneway' })
  local junction = way:get_value_by_key('junction')
  if oneway == '-1' then
    result.forward_mode = mode.inaccessible
  elseif oneway == 'yes' or oneway == '1' or oneway == 'true' or
      (oneway ~= 'no' and (highway == 'motorway' or junction == 'roundabout' or junction == 'circular')) then
    result.backward_mode = mode.inaccessible
  elseif oneway == 'reversible' then
    return
  end

  local restricted = access and ends_only[access] or (highway == 'track' and not access) or false
  result.forward_restricted = restricted
  result.backward_restricted = restricted

  local speed = is_ferry and ferry_speed or speed_of(way, highway)
  result.forward_speed = speed
  result.backward_speed = speed
  result.forward_rate = speed / 3.6
  result.backward_rate = speed / 3.6
  result.is_startpoint = not is_ferry

  if junction == 'roundabout' then result.roundabout = true end
  if junction == 'circular' then result.circular = true end
  result.name = way:get_value_by_key('name') or ''
  local ref = way:get_value_by_key('ref')
  if ref then result.ref = canonicalizeStringList(ref, ';') end
  local data = { highway = highway }
  local lanes_forward, lanes_backward = get_turn_lanes(way, data)
  if lanes_forward then result.turn_lanes_forward = lanes_forward end
  if lanes_backward then result.turn_lanes_backward = lanes_backward end
  set_classification(highway or '', result, way)
  WayHandlers.driving_side(profile, way, result, data)
end

-- A turn costs up to turn_seconds as it gets sharper; half as much again across oncoming traffic.
function process_turn(profile, turn)
  for _, obstacle in pairs(obstacle_map:get(turn.from, turn.via)) do
    turn.duration = turn.duration + obstacle.duration
  end
  if turn.is_u_turn then
    turn.duration = turn.duration + rig.u_turn_seconds
  elseif turn.number_of_roads > 2 then
    local sharpness = (1 - math.cos(math.rad(turn.angle))) / 2
    local across = (turn.angle < 0) ~= turn.is_left_hand_driving
    turn.duration = turn.duration + rig.turn_seconds * sharpness * (across and 1.5 or 1)
  end
  turn.weight = turn.duration
  if not turn.source_restricted and turn.target_restricted then
    turn.weight = turn.duration + shortcut_must_save
  end
end

return { setup = setup, process_way = process_way, process_node = process_node, process_turn = process_turn }
